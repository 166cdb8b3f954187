// What whoever takes over must know, in the order in which it is read out: open first, then what was set aside, then what
// cannot be seen. A list that is empty says so in words.

import type { ComponentChildren } from "preact";
import { useEffect } from "preact/hooks";
import { laneWord } from "../aircraft/lane_words.ts";
import { placeAddress, priorityWord, sayHolder, sayPlace } from "../alerts/wording.ts";
import { foreign } from "../foreign.ts";
import { Foreign } from "../health/parts.tsx";
import { PlaceCells } from "../health/places.tsx";
import { Table } from "../health/parts.tsx";
import { now } from "../live/stream.ts";
import { isOver } from "../sill/gather.ts";
import { Mark } from "../sill/Mark.tsx";
import { recordSimulated } from "../simulated/in_view.ts";
import { Simulated } from "../simulated/Simulated.tsx";
import { calendarDay, clockTime, duration } from "../times.ts";
import type { AlertDocument } from "../wire.ts";
import { t, tAny, type Key } from "../words.ts";
import type { HandoverDocument } from "./documents.ts";
import { Part } from "./parts.tsx";
import { groupDeaf } from "./unwatched.ts";
import { knownZone, offsetAt } from "./when.ts";

function List({ id, title, none, n, children }: { id: string; title: string; none: string; n: number; children: ComponentChildren }) {
  return (
    <Part id={id} title={`${title} (${n})`}>
      {n === 0 ? <p class="craft-quiet">{none}</p> : children}
    </Part>
  );
}

function Alert({ alert, zone }: { alert: AlertDocument; zone: string }) {
  const raised = Date.parse(alert.raised_at);
  return (
    <li class="handover-alert">
      <Mark priority={alert.priority} over={isOver(alert)} />
      <div>
        <p>
          <b>{priorityWord(alert.priority)}</b> <a href={placeAddress(alert)}>{sayPlace(alert)}</a>
          {alert.simulated === true && <Simulated />}
          {alert.drill === true && ` (${t("alerts.flag.drill")})`}: <span lang="en">{alert.text}</span>
        </p>
        <p class="craft-quiet">
          {t("debrief.raised")} <time dateTime={alert.raised_at}>{`${calendarDay(raised, zone)} ${clockTime(raised, zone)}`}</time>. {sayHolder(alert)}
        </p>
      </div>
    </li>
  );
}

const GROUPS = ["open", "shelved", "suppressed", "out_of_service"] as const;

/** The place of something, with the word where it is simulated. */
function Place({ aircraft, door, simulated }: { aircraft: string; door?: string; simulated?: boolean | undefined }) {
  return (
    <>
      <b>
        {door === undefined || door === "-" ? "" : `${door} `}
        <a href={`/aircraft/${aircraft}`}>{aircraft}</a>
      </b>
      {simulated === true && <Simulated />}
    </>
  );
}

function Left({ until }: { until: string }) {
  const left = Date.parse(until) - now.value;
  return <>{left <= 0 ? t("aircraft.permit.over") : t("aircraft.permit.left", { left: duration(left) })}</>;
}

function Unseen({ document, zone }: { document: HandoverDocument; zone: string }) {
  return (
    <>
      <List id="feeds" title={t("handover.feeds")} none={t("handover.feeds.none")} n={document.feeds_lost.length}>
        <ul class="handover-list">
          {document.feeds_lost.map((row) => (
            <li key={row.aircraft}>
              <Place {...row} /> {row.stand}: {tAny(`feed.${row.feed}`, row.feed)}
              {row.last_message_at === null ? "" : `, ${t("handover.heard", { time: clockTime(Date.parse(row.last_message_at), zone) })}`}
            </li>
          ))}
        </ul>
      </List>
      <List id="blind" title={t("handover.blind")} none={t("handover.blind.none")} n={document.blind.length}>
        <ul class="handover-list">
          {document.blind.map((row) => (
            <li key={`${row.aircraft}${row.door}`}>
              <Place {...row} /> {row.stand}: <span class="craft-unknown">{tAny(`state.${row.state}`, row.state)}</span>
            </li>
          ))}
        </ul>
      </List>
      <List id="deaf" title={t("handover.deaf")} none={t("handover.deaf.none")} n={document.deaf_to.length}>
        <ul class="handover-list">
          {groupDeaf(document.deaf_to).map(({ doors, ...row }) => (
            <li key={`${row.aircraft}${row.why}${row.codes.join()}`}>
              <Place {...row} /> {doors.map(laneWord).join(" ")}:{" "}
              <span lang="en">
                {row.codes.join(", ")} ({foreign(row.why)})
              </span>
            </li>
          ))}
        </ul>
      </List>
    </>
  );
}

export function HandoverView({ document }: { document: HandoverDocument }) {
  const zone = knownZone(document.of.zone);
  const at = Date.parse(document.at);
  const undelivered = (document.undelivered ?? []).filter((each) => each.waiting > 0 || each.dead > 0);
  useEffect(() => {
    recordSimulated.value = document.aircraft.length > 0 && document.aircraft.every((each) => each.simulated === true);
    return () => {
      recordSimulated.value = null;
    };
  }, [document]);
  return (
    <article class="debrief-report">
      <p class="debrief-period">
        {t("handover.asof", { day: calendarDay(at, zone), time: clockTime(at, zone), zone: zone === "UTC" ? zone : `UTC${offsetAt(at, zone)}, ${zone}` })}
      </p>
      <ul class="debrief-cautions" lang="en">
        {document.cautions.map((each) => (
          <li key={each}>{each}</li>
        ))}
      </ul>
      {GROUPS.map((group) => (
        <List key={group} id={group} title={t(`handover.${group}` as Key)} none={t(`handover.${group}.none` as Key)} n={document[group].length}>
          <ul class="handover-alerts">
            {document[group].map((alert) => (
              <Alert key={alert.alert_id} alert={alert} zone={zone} />
            ))}
          </ul>
        </List>
      ))}
      <List id="permits" title={t("handover.permits")} none={t("handover.permits.none")} n={document.permits.length}>
        <ul class="handover-list">
          {document.permits.map((permit) => (
            <li key={permit.permit_id}>
              <Place {...permit} />{" "}
              {permit.name ? t("drill.named", { name: foreign(permit.name) }) : tAny(`aircraft.permit.kind.${permit.kind}`, permit.kind)}
              {permit.doors.length > 0 ? `, ${permit.doors.join(" ")}` : ""}, <Left until={permit.until} />
              {permit.reason === null ? "" : <>: <Foreign text={permit.reason} /></>}
            </li>
          ))}
        </ul>
      </List>
      <Unseen document={document} zone={zone} />
      <List id="chattering" title={t("health.chattering")} none={t("handover.chattering.none")} n={document.chattering.length}>
        <Table caption={t("handover.chattering")} heads={[t("page.aircraft"), t("aircraft.door"), t("debrief.what"), t("health.raised")]} numbers={[3]}>
          {document.chattering.map((row) => (
            <tr key={`${row.aircraft}${row.door}${row.code}`}>
              <PlaceCells place={row} />
              <td class="number">{row.raised}</td>
            </tr>
          ))}
        </Table>
      </List>
      <List id="undelivered" title={t("handover.undelivered")} none={t(document.undelivered == null ? "handover.undelivered.unknown" : "handover.undelivered.none")} n={undelivered.length}>
        <ul class="handover-list">
          {undelivered.map((each) => (
            <li key={each.destination}>
              <b>
                <Foreign text={each.destination} />
              </b>
              : {t("handover.undelivered.value", { waiting: each.waiting, dead: each.dead })}
            </li>
          ))}
        </ul>
      </List>
    </article>
  );
}
