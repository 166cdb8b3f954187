// The readings that an alert rests on, one touch away.

import { model } from "../live/model.ts";
import { clockTime } from "../times.ts";
import type { AlertDocument, Evidence } from "../wire.ts";
import { t, tAny, tCount } from "../words.ts";
import { sayValue } from "./wording.ts";

function nameOf(signal: string, door: string): string {
  const own = `door/${door}/`;
  return (signal.startsWith(own) ? signal.slice(own.length) : signal).replaceAll("_", " ").replaceAll("/", " ");
}

function Reading({ reading, door }: { reading: Evidence; door: string }) {
  const zone = model.timezone.value;
  const doubtful = reading.stale || reading.quality !== "good";
  const at = reading.time ?? reading.received_at;
  return (
    <tr class={doubtful ? "reading-doubtful" : undefined}>
      <th scope="row" lang="en">
        {nameOf(reading.signal, door)}
      </th>
      <td lang="en">{sayValue(reading.value)}</td>
      <td>
        {tAny(`quality.${reading.quality}`, reading.quality)}
        {reading.stale ? `, ${t("alerts.evidence.stale")}` : ""}
      </td>
      <td>
        <time dateTime={at}>{clockTime(Date.parse(at), zone)}</time>
        {reading.time === null ? ` ${t("alerts.evidence.received")}` : ""}
      </td>
    </tr>
  );
}

export function EvidenceTable({ alert }: { alert: AlertDocument }) {
  return (
    <details class="evidence">
      <summary>{tCount("alerts.evidence.open", alert.evidence.length)}</summary>
      {alert.evidence.length > 0 && (
        <table>
          <thead>
            <tr>
              <th scope="col">{t("alerts.evidence.reading")}</th>
              <th scope="col">{t("alerts.evidence.value")}</th>
              <th scope="col">{t("alerts.evidence.quality")}</th>
              <th scope="col">{t("alerts.evidence.time")}</th>
            </tr>
          </thead>
          <tbody>
            {alert.evidence.map((reading) => (
              <Reading key={reading.signal} reading={reading} door={alert.door} />
            ))}
          </tbody>
        </table>
      )}
      <p class="evidence-basis">
        {t("alerts.basis")} <span lang="en">{alert.basis}</span>
      </p>
    </details>
  );
}
