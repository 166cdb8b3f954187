// The timeline as tables: the same bands and alerts, for whoever does not see the drawing.

import { foreign } from "../foreign.ts";
import { clockTime, duration } from "../times.ts";
import { t, tAny } from "../words.ts";
import { bandWord, laneWord } from "./lane_words.ts";
import type { LaneData } from "./lanes.ts";

/** `of` says whose table it is, where a page has more than one. */
export function RecordTable({ lanes, zone, of = "" }: { lanes: readonly LaneData[]; zone: string; of?: string }) {
  const alerts = lanes.flatMap((lane) => lane.spans);
  return (
    <div class="craft-scroll" tabIndex={0} role="region" aria-label={`${t("aircraft.line.astable")} ${of}`.trim()}>
      <table class="craft-table">
        <caption>{t("aircraft.line.states")}</caption>
        <thead>
          <tr>
            <th scope="col">{t("aircraft.door")}</th>
            <th scope="col">{t("aircraft.table.state")}</th>
            <th scope="col">{t("aircraft.table.from")}</th>
            <th scope="col">{t("aircraft.table.for")}</th>
          </tr>
        </thead>
        <tbody>
          {lanes.flatMap((lane) =>
            lane.bands.map((band) => (
              <tr key={`${lane.name}${band.from}${band.kind}`}>
                <th scope="row">{laneWord(lane.name)}</th>
                <td>{bandWord(band)}</td>
                <td>{clockTime(band.kind === "state" ? band.since : band.from, zone)}</td>
                <td>{duration(band.to - (band.kind === "state" ? band.since : band.from))}</td>
              </tr>
            )),
          )}
        </tbody>
      </table>
      <table class="craft-table">
        <caption>{t("aircraft.line.alerts")}</caption>
        <thead>
          <tr>
            <th scope="col">{t("aircraft.door")}</th>
            <th scope="col">{t("aircraft.table.priority")}</th>
            <th scope="col">{t("aircraft.table.text")}</th>
            <th scope="col">{t("aircraft.table.changes")}</th>
          </tr>
        </thead>
        <tbody>
          {alerts.map(({ alert }) => (
            <tr key={alert.alert_id}>
              <th scope="row">{laneWord(alert.door)}</th>
              <td>{tAny(`priority.${alert.priority}`, alert.priority)}</td>
              <td lang="en">{alert.text}</td>
              <td lang="en">
                {alert.changes
                  .map((change) => {
                    const word = change.type.slice(change.type.lastIndexOf(".") + 1);
                    return `${clockTime(Date.parse(change.at), zone)} ${word}${change.by === undefined || change.by === null ? "" : ` (${foreign(change.by)})`}`;
                  })
                  .join(", ")}
              </td>
            </tr>
          ))}
        </tbody>
      </table>
    </div>
  );
}
