// Which hazards cannot be seen on this aircraft now, and why; and how much of the last half hour was watched.

import { useComputed, useSignal } from "@preact/signals";
import { model } from "../live/model.ts";
import { now } from "../live/stream.ts";
import { useAsked } from "../health/asking.ts";
import { t, tCount } from "../words.ts";
import type { DeafTo } from "../wire.ts";
import type { WatchedDocument } from "./documents.ts";
import { Fold, Section } from "./parts.tsx";
import { pathOf } from "./paths.ts";
import { signalWord } from "./values.ts";
import { groupWatched, type WatchedGroup } from "./watched.ts";

const MINUTE = 60_000;
const HALF_HOUR = 30 * MINUTE;

const codeWord = (code: string): string => code.replaceAll("-", " ");
const placeWord = (door: string): string => (door === "-" ? t("aircraft.line.whole") : door);

interface DeafRow extends DeafTo {
  places: string[];
}

/** What several doors are deaf to for the same reason is told once. */
function groupDeaf(registration: string): DeafRow[] {
  const view = model.view(registration).value;
  const groups = new Map<string, DeafRow>();
  const add = (place: string, list: readonly DeafTo[]): void => {
    for (const deaf of list) {
      const key = JSON.stringify([deaf.code, deaf.why, deaf.signals]);
      const group = groups.get(key);
      if (group === undefined) groups.set(key, { ...deaf, places: [place] });
      else group.places.push(place);
    }
  };
  add("-", view?.row.deaf_to ?? []);
  for (const name of Object.keys(view?.row.door_states ?? {})) add(name, view?.doors.get(name)?.deaf_to ?? []);
  return [...groups.values()];
}

function DeafNow({ registration }: { registration: string }) {
  const rows = useComputed(() => groupDeaf(registration)).value;
  if (rows.length === 0) return <p>{t("aircraft.deaf.none")}</p>;
  return (
    <div class="craft-scroll" tabIndex={0} role="region" aria-label={t("aircraft.deaf.now")}>
      <table class="craft-table">
        <caption>{t("aircraft.deaf.now")}</caption>
        <thead>
          <tr>
            <th scope="col">{t("aircraft.deaf.hazard")}</th>
            <th scope="col">{t("aircraft.deaf.why")}</th>
            <th scope="col">{t("aircraft.deaf.signals")}</th>
            <th scope="col">{t("aircraft.deaf.where")}</th>
          </tr>
        </thead>
        <tbody>
          {rows.map((row) => (
            <tr key={`${row.code}${row.why}${row.signals.join()}`}>
              <th scope="row" lang="en">
                {codeWord(row.code)}
              </th>
              <td lang="en" class="craft-why">
                {row.why}
              </td>
              <td>{row.signals.map((path) => signalWord(path.slice(path.lastIndexOf("/") + 1))).join(", ")}</td>
              <td>{row.places.map(placeWord).join(" ")}</td>
            </tr>
          ))}
        </tbody>
      </table>
    </div>
  );
}

function Group({ group, minutes }: { group: WatchedGroup; minutes: number }) {
  const { watched_minutes: watched, deaf_minutes: deaf, not_known_minutes: unknown, reasons } = group.watch;
  const part = (n: number): string => `${(100 * n) / minutes}%`;
  return (
    <li>
      <p>
        {t("aircraft.watched.minutes", {
          watched: watched.toFixed(1),
          deaf: deaf.toFixed(1),
          unknown: unknown.toFixed(1),
        })}
        {Object.keys(reasons).length > 0 && <em lang="en"> ({Object.keys(reasons).join(", ")})</em>}
      </p>
      <div class="craft-scale craft-scale-thin" aria-hidden="true">
        <div class="craft-scale-known" style={{ width: part(watched) }} />
        <div class="craft-scale-torn" style={{ left: part(watched), width: part(deaf) }} />
      </div>
      <Fold summary={tCount("aircraft.watched.hazards", group.codes.length)}>
        {() => <p lang="en">{group.codes.map(codeWord).join(", ")}</p>}
      </Fold>
    </li>
  );
}

function Watched({ registration }: { registration: string }) {
  const asked = useSignal(now.peek());
  const minute = useComputed(() => Math.floor(now.value / MINUTE) * MINUTE);
  // Another address each minute: that is what asks again, and it keeps the half hour half an hour long.
  const address = useComputed(
    () =>
      `${pathOf(registration, "watched")}?since=${new Date(Math.max(asked.value, minute.value) - HALF_HOUR).toISOString()}`,
  );
  const { document, refusal } = useAsked<WatchedDocument>(address, HALF_HOUR).value;
  return (
    <>
      <div class="craft-controls">
        <h3>{t("aircraft.watched")}</h3>
        <button type="button" onClick={() => (asked.value = now.peek())}>
          {t("aircraft.watched.again")}
        </button>
      </div>
      {refusal !== null && <p class="craft-refused">{t("aircraft.refused.never", { reason: refusal })}</p>}
      <ul class="craft-watched">
        {(document === null ? [] : groupWatched(document)).map(({ door, groups }) => (
          <li key={door}>
            <h4>{placeWord(door)}</h4>
            <ul>
              {groups.map((group) => (
                <Group key={group.codes[0]} group={group} minutes={Math.max(document?.minutes ?? 1, 0.1)} />
              ))}
            </ul>
          </li>
        ))}
      </ul>
    </>
  );
}

export function Deafness({ registration }: { registration: string }) {
  return (
    <Section id="deaf" title={t("aircraft.deaf")}>
      <DeafNow registration={registration} />
      <Fold summary={t("aircraft.watched")}>{() => <Watched registration={registration} />}</Fold>
    </Section>
  );
}
