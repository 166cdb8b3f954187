// How the alarms did over a period that can be chosen: their rate against the published bands first.

import { useComputed, useSignal, type ReadonlySignal } from "@preact/signals";
import { now } from "../live/stream.ts";
import { duration } from "../times.ts";
import { language, t, tAny, tCount } from "../words.ts";
import { useAsked } from "./asking.ts";
import type { AlarmHealth, Figures, Rate } from "./documents.ts";
import { isLongEnough, putNumber, scaleEnd, worstBand } from "./figures.ts";
import { Chattering, Floods, Priorities, Stale, Worst } from "./Nuisance.tsx";
import { Bar, Figure, Refusal, Section, Table, TooEarly } from "./parts.tsx";
import { Moment, nameRole } from "./places.tsx";

const PERIODS_H = [1, 24, 168, 720] as const;
/** Beyond a day the record is long to read, and its figures move slowly. */
const LONG_H = 24;
const REFRESH_MS = 5_000;
const REFRESH_LONG_MS = 60_000;
const MINUTE_MS = 60_000;

function Rates({ document }: { document: AlarmHealth }) {
  const roles = Object.entries(document.roles);
  const limits = document.bands.per_10_minutes;
  const end = scaleEnd(roles.map(([, figures]) => figures.per_10_minutes.mean), limits.manageable);
  const long = (rate: Rate): boolean => isLongEnough(rate, document.length_s);
  const put = (rate: Rate, which: "acceptable" | "manageable"): string =>
    putNumber(document.bands[rate][which], language.value) ?? "";
  return (
    <Section title={t("health.alarm_rate")}>
      <Table
        caption={t("health.rates.caption")}
        heads={[
          t("health.role"),
          t("health.raised"),
          t("health.per_10"),
          t("health.band"),
          t("health.busiest"),
          t("health.per_hour"),
          t("health.per_day"),
        ]}
        numbers={[1, 5, 6]}
      >
        {[...roles, ["", document.overall] as const].map(([role, figures]) => (
          <tr key={role}>
            <th scope="row">{role ? nameRole(role) : t("health.all_roles")}</th>
            <td class="number">
              <Figure value={figures.raised} places={0} />
            </td>
            <td>
              {long("per_10_minutes") ? (
                <span class="with-bar">
                  <span>
                    <Figure value={figures.per_10_minutes.mean} places={2} />
                  </span>
                  {role ? <Bar value={figures.per_10_minutes.mean} full={end} marks={[limits.acceptable, limits.manageable]} /> : null}
                </span>
              ) : (
                <TooEarly />
              )}
            </td>
            <td>
              <BandWord figures={figures} lengthS={document.length_s} />
            </td>
            <td>
              <Figure value={figures.per_10_minutes.peak} places={0} />
              {figures.per_10_minutes.peak_at === null ? null : (
                <>
                  {" "}
                  {t("health.at")} <Moment at={figures.per_10_minutes.peak_at} />
                </>
              )}
            </td>
            <td class="number">
              {long("per_hour") ? <Figure value={figures.per_hour} /> : <TooEarly />}
            </td>
            <td class="number">
              {long("per_day") ? <Figure value={figures.per_day} /> : <TooEarly />}
            </td>
          </tr>
        ))}
      </Table>
      <p class="health-note">
        {t("health.bands", {
          ten: put("per_10_minutes", "acceptable"),
          ten_most: put("per_10_minutes", "manageable"),
          hour: put("per_hour", "acceptable"),
          hour_most: put("per_hour", "manageable"),
          day: put("per_day", "acceptable"),
          day_most: put("per_day", "manageable"),
        })}
      </p>
    </Section>
  );
}

/** The band that one person's rate is in; all roles together are several people. */
function BandWord({ figures, lengthS }: { figures: Figures; lengthS: number }) {
  if (figures.bands === undefined) return <>{t("health.band.none")}</>;
  const band = worstBand(figures.bands, lengthS);
  return band === null ? <TooEarly /> : <>{t(`health.band.${band}`)}</>;
}

function leftOut(document: AlarmHealth): string {
  const parts = Object.entries(document.left_out)
    .filter(([, number]) => number > 0)
    .map(([why, number]) => `${number} ${tAny(`health.left_out.${why}`, why)}`);
  return parts.length > 0 ? t("health.left_out", { parts: parts.join(", ") }) : "";
}

/** The alarms' part of the page, over a period that can be chosen. */
export function Alarms() {
  const hours = useSignal<number>(24);
  const address = useComputed(() => {
    // To the minute: within one, the same question.
    const since = Math.floor(now.value / MINUTE_MS) * MINUTE_MS - hours.value * 60 * MINUTE_MS;
    return `/api/v1/alarm-health?since=${encodeURIComponent(new Date(since).toISOString())}`;
  });
  const everyMs = hours.value > LONG_H ? REFRESH_LONG_MS : REFRESH_MS;
  return (
    <div class="health-part">
      <h2>{t("health.alarms")}</h2>
      <label class="health-period">
        {t("health.period")}{" "}
        <select value={String(hours.value)} onChange={(event) => (hours.value = Number(event.currentTarget.value))}>
          {PERIODS_H.map((each) => (
            <option key={each} value={String(each)}>
              {t(`health.period.${each}`)}
            </option>
          ))}
        </select>
      </label>
      <AlarmFigures key={hours.value} address={address} everyMs={everyMs} />
    </div>
  );
}

function AlarmFigures({ address, everyMs }: { address: ReadonlySignal<string>; everyMs: number }) {
  const { document, refusal } = useAsked<AlarmHealth>(address, everyMs).value;
  if (document === null) return refusal === null ? <p>{t("health.asking")}</p> : <Refusal detail={refusal} />;
  const { overall, targets } = document;
  return (
    <>
      <Refusal detail={refusal} />
      <p>
        {overall.raised === 0 ? t("health.no_alarm") : tCount("health.alarms.some", overall.raised)}{" "}
        {t("health.alarms.over", { duration: duration(document.length_s * 1000) })} {leftOut(document)}{" "}
        {document.shorter_than_30_days ? t("health.alarms.short") : ""}{" "}
        {overall.simulated ? tCount("health.alarms.simulated", overall.simulated) : ""}
      </p>
      <Rates document={document} />
      <div class="health-columns">
        <Floods document={document} />
        <Chattering document={document} />
        <Stale document={document} />
        <Priorities figures={overall} targets={targets.priority_shares} />
        <Worst figures={overall} atMost={targets.worst_ten_share_at_most} />
      </div>
      <details class="health-sources">
        <summary>{t("health.sources")}</summary>
        <ul lang="en">
          {document.sources.map((each) => (
            <li key={each}>{each}</li>
          ))}
        </ul>
      </details>
    </>
  );
}
