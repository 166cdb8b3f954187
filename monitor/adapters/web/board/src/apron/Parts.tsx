// The small parts of a row. What ticks is each a component of its own, so that a second redraws a word and not a row.

import { useEffect, useRef } from "preact/hooks";
import { actionOf, nameRole, sayHolder } from "../alerts/wording.ts";
import { foreign } from "../foreign.ts";
import { model } from "../live/model.ts";
import { now } from "../live/stream.ts";
import { followDrawn } from "../receipts.ts";
import { isOver } from "../sill/gather.ts";
import { Mark } from "../sill/Mark.tsx";
import { clockTime, duration } from "../times.ts";
import type { AircraftRow, AlertDocument, PermitDocument, StandDocument } from "../wire.ts";
import { t, tAny, tCount } from "../words.ts";
import { readDoing } from "./doing.ts";
import { splitAction } from "./worst.ts";

/** How old what is shown is; once nothing comes, since when. */
export function Age({ registration }: { registration: string }) {
  const view = model.view(registration).value;
  if (view === null) return null;
  const { feed } = view.row;
  const heard = view.heard === null ? Number.NaN : Date.parse(view.heard);
  if (feed === "left-on-broker") return <p class="age stale">{t("apron.age.left")}</p>;
  if (Number.isNaN(heard)) return <p class="age stale">{t("apron.age.never")}</p>;
  if (feed !== "live") return <p class="age stale">{t("apron.age.since", { time: clockTime(heard, model.timezone.value) })}</p>;
  return <p class="age">{t("apron.age", { duration: duration(now.value - heard) })}</p>;
}

export function Wind({ stand }: { stand: StandDocument | undefined }) {
  if (stand === undefined || (stand.wind_kt === null && stand.gust_kt === null)) {
    const why = stand?.why["wind_kt"] ?? stand?.why["gust_kt"];
    const known = why === undefined || why === "never reported" ? t("apron.wind.unwatched") : t("apron.wind.unknown", { why });
    return <p class="wind unknown">{known}</p>;
  }
  const wind = stand.wind_kt === null ? t("apron.wind.none") : t("apron.wind", { wind: Math.round(stand.wind_kt) });
  const gust = stand.gust_kt === null ? t("apron.gust.none") : t("apron.gust", { gust: Math.round(stand.gust_kt) });
  return (
    <p class="wind">
      {wind}, {gust}
    </p>
  );
}

/** Who is aboard, what runs, what is being done, in one short line. */
export function Aboard({ row }: { row: AircraftRow }) {
  const people = row.passengers_aboard;
  const { engines, refuelling } = readDoing(row, model.types.value[row.type ?? ""]);
  return (
    <>
      <p class={typeof people === "number" ? "aboard" : "aboard unknown"}>
        {row.type || t("apron.type.unknown")}, {typeof people === "number" ? t("apron.aboard", { n: people }) : t("apron.aboard.unknown")}
      </p>
      {(engines?.length !== 0 || refuelling !== false) && (
        <p class="doing">
          {engines === null && <span class="unknown">{t("apron.engines.unknown")}</span>}
          {engines !== null && engines.length > 0 && <span>{tCount("apron.engines", engines.length, { which: engines.join(", ") })}</span>}
          {refuelling === null && <span class="unknown">{t("apron.refuelling.unknown")}</span>}
          {refuelling === true && <span>{t("apron.refuelling")}</span>}
        </p>
      )}
    </>
  );
}

function Raised({ alert }: { alert: AlertDocument }) {
  return <>{t("apron.raised", { duration: duration(now.value - Date.parse(alert.raised_at)) })}</>;
}

/** Tell the service while an unacknowledged warning is really drawn here. */
function useReceipt(alert: AlertDocument): { current: HTMLDivElement | null } {
  const place = useRef<HTMLDivElement>(null);
  const asked = alert.priority === "warning" && alert.state === "unacknowledged";
  useEffect(() => (asked && place.current !== null ? followDrawn(place.current, alert.alert_id) : undefined), [alert.alert_id, asked]);
  return place;
}

/** What an alert calls for, in a line. */
export function Called({ alert }: { alert: AlertDocument }) {
  const place = useReceipt(alert);
  const action = actionOf(alert);
  return (
    <div class={`told ${alert.priority}`} ref={place}>
      <Call alert={alert} call={splitAction(action.text).call} lang={action.lang} />
    </div>
  );
}

function Call({ alert, call, lang }: { alert: AlertDocument; call: string; lang: "en" | undefined }) {
  return (
    <p class="call">
      <Mark priority={alert.priority} over={isOver(alert)} />
      <span>
        <span class="unseen">{tAny(`priority.${alert.priority}`, alert.priority)}: </span>
        {isOver(alert) && t("apron.over")}
        {alert.door !== "-" && !isOver(alert) && <span class="call-door">{alert.door} </span>}
        <span lang={lang}>{call}</span>
      </span>
    </p>
  );
}

/** The alert that comes first: what to do, then why, then who has it, and how many more there are. */
export function Told({ alert, more }: { alert: AlertDocument; more: number }) {
  const place = useReceipt(alert);
  // Of what is over nothing is to be done; what it was is told instead.
  const over = isOver(alert);
  const { text, lang } = over ? ({ text: alert.text, lang: "en" } as const) : actionOf(alert);
  const { call, rest } = over ? { call: text, rest: "" } : splitAction(text);
  const flags = [
    alert.drill === true ? t("apron.drill") : "",
    alert.blind === true ? t("apron.blind") : "",
    alert.late === true ? t("apron.late") : "",
  ].filter((each) => each !== "");
  return (
    <div class={over ? "told over" : `told ${alert.priority}`} ref={place}>
      <Call alert={alert} call={call} lang={lang} />
      {rest !== "" && (
        <p class="rest" lang={lang}>
          {rest}
        </p>
      )}
      {!over && (
        <p class="text" lang="en">
          {alert.text}
        </p>
      )}
      <p class="holder">
        <span>
          <Raised alert={alert} />.
        </span>
        <span class={alert.state === "unacknowledged" ? "nobody" : "somebody"}>{sayHolder(alert)}</span>
        {alert.escalated === true && <span class="escalated">{t("apron.escalated", { role: nameRole(alert.role) })}</span>}
        {alert.on_no_screen === true && <span class="escalated">{t("apron.nowhere")}</span>}
        {flags.map((flag) => (
          <span key={flag}>{flag}</span>
        ))}
        {more > 0 && <span>{tCount("apron.more", more)}</span>}
      </p>
    </div>
  );
}

/** A further alert, in one line. */
export function Further({ alert }: { alert: AlertDocument }) {
  const place = useReceipt(alert);
  return (
    <div class={`further ${alert.priority}`} ref={place}>
      <Mark priority={alert.priority} over={isOver(alert)} />
      <span class="unseen">{tAny(`priority.${alert.priority}`, alert.priority)}: </span>
      <span lang="en">{alert.text}</span>
    </div>
  );
}

/** A permit, counting down in plain sight. */
export function Permit({ permit }: { permit: PermitDocument }) {
  const left = Date.parse(permit.until) - now.value;
  const kind = permit.name
    ? t("drill.named", { name: foreign(permit.name) })
    : tAny(`aircraft.permit.kind.${permit.kind}`, permit.kind.replaceAll("_", " "));
  const where = permit.doors.length > 0 ? permit.doors.join(", ") : t("apron.permit.whole");
  return (
    <li>
      {t("apron.permit", { kind, where, duration: duration(left) })}
    </li>
  );
}
