// The tables of a debrief: its alerts with how fast each was answered, how doors moved, what people did.

import { laneWord } from "../aircraft/lane_words.ts";
import { readSubject, type Subject } from "../alerts/record.ts";
import { nameOf, priorityWord } from "../alerts/wording.ts";
import { foreign } from "../foreign.ts";
import { Table } from "../health/parts.tsx";
import { Mark } from "../sill/Mark.tsx";
import { Simulated } from "../simulated/Simulated.tsx";
import { t, tAny } from "../words.ts";
import type { ActionEntry, DebriefAlert, Trend, Unwatched, Ways } from "./documents.ts";
import { Part, When } from "./parts.tsx";
import { groupUnwatched } from "./unwatched.ts";
import { seconds } from "./when.ts";

/** What stands in the place of a door where somebody granted or ended a permit. */
const PERMIT = "permit";

/** Where something was done; of a permit its number says nothing to anybody. */
function sayPlace({ aircraft, door, what }: Subject): string {
  const parts = door === PERMIT ? [aircraft] : [door, aircraft, what];
  return parts.filter((each) => each !== "" && each !== "-").join(" ");
}

function inTime(alert: DebriefAlert): string {
  if (alert.in_time === true) return t("debrief.intime");
  if (alert.in_time === false) return t("debrief.notintime");
  return alert.acknowledged_at === null ? t("debrief.nobody") : "";
}

function Response({ alert }: { alert: DebriefAlert }) {
  const took = seconds(alert.response_s);
  const within = seconds(alert.respond_within_s);
  return (
    <>
      {took ?? t("debrief.never")}
      {within === null ? "" : ` ${t("debrief.within", { within })}`}
    </>
  );
}

export function Alerts({ alerts }: { alerts: readonly DebriefAlert[] }) {
  return (
    <Part id="alerts" title={t("aircraft.line.alerts")}>
      {alerts.length === 0 ? (
        <p>{t("debrief.alerts.none")}</p>
      ) : (
        <Table
          caption={t("debrief.alerts.caption")}
          heads={[
            t("debrief.raised"),
            t("debrief.where"),
            t("aircraft.table.priority"),
            t("debrief.what"),
            t("debrief.acknowledged"),
            t("debrief.response"),
            t("debrief.judged"),
            t("debrief.cleared"),
          ]}
        >
          {alerts.map((alert) => (
            <tr key={alert.alert_id}>
              <th scope="row">
                <When at={alert.raised_at} />
              </th>
              <td>
                {[alert.door === "-" ? "" : alert.door, alert.aircraft, alert.stand].filter(Boolean).join(" ")}
                {alert.simulated === true && <Simulated />}
              </td>
              <td>
                <Mark priority={alert.priority} /> {priorityWord(alert.priority)}
              </td>
              <td class="foreign-cell">
                <span lang="en">{alert.text}</span>
                {alert.drill === true && ` (${t("alerts.flag.drill")})`}
                {alert.late === true && ` (${t("alerts.flag.late")})`}
              </td>
              <td>
                {alert.acknowledged_at === null ? (
                  t("debrief.never")
                ) : (
                  <>
                    <When at={alert.acknowledged_at} />
                    {alert.by === null ? "" : `, ${nameOf(alert.by)}`}
                  </>
                )}
              </td>
              <td>
                <Response alert={alert} />
              </td>
              <td>
                <b>{inTime(alert)}</b>
              </td>
              <td>
                <When at={alert.cleared_at} />
              </td>
            </tr>
          ))}
        </Table>
      )}
    </Part>
  );
}

/** What a reader must not take for quiet: hazards of which nothing could have been raised. */
export function Unseen({ rows }: { rows: readonly Unwatched[] }) {
  if (rows.length === 0) return null;
  return (
    <Part id="not-watched" title={t("debrief.notwatched")}>
      <Table
        caption={t("debrief.notwatched.caption")}
        heads={[t("page.aircraft"), t("debrief.minutes"), t("aircraft.deaf.why"), t("aircraft.deaf.where"), t("aircraft.deaf.hazard")]}
        numbers={[1]}
      >
        {groupUnwatched(rows).map((group) => (
          <tr key={`${group.aircraft}${group.minutes}${group.whys.join()}`}>
            <th scope="row">
              {group.aircraft}
              {group.simulated && <Simulated />}
            </th>
            <td class="number">{group.minutes.toFixed(1)}</td>
            <td lang="en">{group.whys.join(", ")}</td>
            <td class="foreign-cell">{group.doors.map(laneWord).join(" ")}</td>
            <td class="foreign-cell" lang="en">
              {group.codes.join(", ")}
            </td>
          </tr>
        ))}
      </Table>
    </Part>
  );
}

function sayWays(ways: Ways | null): string {
  if (ways === null) return t("debrief.notmeasured");
  const median = seconds(ways.median) ?? "";
  const usual = seconds(ways.usual);
  return usual === null ? t("debrief.ways", { median, n: ways.n }) : t("debrief.ways.usual", { median, usual, n: ways.n });
}

export function Trends({ trends }: { trends: readonly Trend[] }) {
  return (
    <Part id="trends" title={t("debrief.trends")}>
      {trends.length === 0 ? (
        <p>{t("debrief.trends.none")}</p>
      ) : (
        <Table
          caption={t("debrief.trends.caption")}
          heads={[t("aircraft.door"), t("debrief.cycles"), t("debrief.opening"), t("debrief.closing"), t("debrief.dwell")]}
          numbers={[1]}
        >
          {trends.map((trend) => (
            <tr key={`${trend.aircraft}/${trend.door}`}>
              <th scope="row">
                {trend.door} {trend.aircraft}
                {trend.simulated === true && <Simulated />}
              </th>
              <td class="number">{trend.cycles}</td>
              <td>{sayWays(trend.opening_s)}</td>
              <td>{sayWays(trend.closing_s)}</td>
              <td>{sayWays(trend.dwell_s)}</td>
            </tr>
          ))}
        </Table>
      )}
    </Part>
  );
}

export function Actions({ actions }: { actions: readonly ActionEntry[] | undefined }) {
  if (actions === undefined) return null;
  return (
    <Part id="actions" title={t("debrief.actions")}>
      {actions.length === 0 ? (
        <p>{t("debrief.actions.none")}</p>
      ) : (
        <Table
          caption={t("debrief.actions.caption")}
          heads={[t("debrief.when"), t("debrief.who"), t("debrief.did"), t("debrief.where"), t("aircraft.reason")]}
        >
          {actions.map((entry, n) => {
            const subject = readSubject(entry.subject);
            return (
              <tr key={n}>
                <th scope="row">
                  <When at={entry.time} />
                </th>
                <td>{nameOf(entry.person)}</td>
                <td>{tAny(`alerts.audit.${entry.action}`, entry.action.replaceAll("-", " "))}</td>
                <td>{sayPlace(subject)}</td>
                <td class="foreign-cell">{entry.reason === null ? "" : foreign(entry.reason)}</td>
              </tr>
            );
          })}
        </Table>
      )}
    </Part>
  );
}
