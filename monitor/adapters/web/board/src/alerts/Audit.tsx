// Who did what, when, from where, and what it changed: every action of a person, the newest first.

import { useEffect, useMemo } from "preact/hooks";
import { foreign } from "../foreign.ts";
import { administers } from "../session.ts";
import { Simulated } from "../simulated/Simulated.tsx";
import { t, tAny } from "../words.ts";
import { Days, Moment } from "./Days.tsx";
import { MoreButton } from "./MoreButton.tsx";
import { PagedList } from "./pages.ts";
import { readSubject, type AuditDocument } from "./record.ts";
import { useRenewed } from "./renewed.ts";
import { nameOf, placeAddress, sayPlace } from "./wording.ts";

const LIMIT = 50;
const CONFIGURATION = "configuration-changed";

function address(after: string | null): string {
  const query = new URLSearchParams({ limit: String(LIMIT) });
  if (after !== null) query.set("after", after);
  return `/api/v1/audit?${query.toString()}`;
}

function stateWord(state: string | null): string {
  return state === null || state === "" ? t("alerts.audit.nothing") : state.replaceAll("_", " ");
}

const settingWord = (value: string | null): string => (value ? foreign(value) : t("alerts.audit.nothing"));

const keyOf = ({ time, subject, action }: AuditDocument): string => `${time} ${subject} ${action}`;

/** A key of the configuration that was another at a start: whoever changed it, no name is known of. */
function Setting({ entry }: { entry: AuditDocument }) {
  return (
    <li class="event">
      <Moment at={entry.time} />
      <div class="event-body">
        <p>
          <b>{t("alerts.audit.operator")}</b> {t("alerts.audit.configuration-changed")} <code>{foreign(entry.subject)}</code>
        </p>
        <p class="event-text">
          {t("alerts.audit.change", { before: settingWord(entry.before), after: settingWord(entry.after) })}{" "}
          {t("alerts.audit.at_start")}
        </p>
      </div>
    </li>
  );
}

function Row({ entry }: { entry: AuditDocument }) {
  const subject = readSubject(entry.subject);
  const place = { aircraft: subject.aircraft, door: subject.door || "-", stand: "" };
  return (
    <li class="event">
      <Moment at={entry.time} />
      <div class="event-body">
        <p>
          <b>{nameOf(entry.by)}</b> {tAny(`alerts.audit.${entry.action}`, entry.action.replaceAll("-", " "))}{" "}
          <a href={placeAddress(place)}>{sayPlace(place)}</a>
          {entry.simulated === true && <Simulated />}
          {subject.what === "" ? "" : ` (${subject.what})`}
          {entry.reason ? `: ${foreign(entry.reason)}` : ""}
        </p>
        <p class="event-text">
          {t("alerts.audit.change", { before: stateWord(entry.before), after: stateWord(entry.after) })}
          {entry.origin ? ` ${t("alerts.audit.from", { origin: entry.origin })}` : ""}
        </p>
      </div>
    </li>
  );
}

export function Audit() {
  if (administers.value === false) return <p class="nothing">{t("session.administers")}</p>;
  return <Entries />;
}

function Entries() {
  const list = useMemo(() => new PagedList<AuditDocument>(address, keyOf), []);
  useEffect(() => void list.restart(), [list]);
  useRenewed(list);
  const entries = list.items.value;
  return (
    <section class="record" aria-labelledby="record-title">
      <div class="record-head">
        <h2 id="record-title">{t("alerts.view.audit")}</h2>
        <button type="button" onClick={() => void list.restart()}>
          {t("alerts.audit.again")}
        </button>
      </div>
      {entries !== null && entries.length === 0 && <p class="nothing">{t("alerts.audit.none")}</p>}
      <Days
        items={entries ?? []}
        timeOf={(entry) => entry.time}
        draw={(entry) =>
          entry.action === CONFIGURATION ? <Setting key={keyOf(entry)} entry={entry} /> : <Row key={keyOf(entry)} entry={entry} />
        }
      />
      <MoreButton list={list} />
    </section>
  );
}
