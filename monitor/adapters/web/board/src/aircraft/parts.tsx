// What the sections of the aircraft's page are built of: frames, folds, ages, shapes for yes, no and unknown, names.

import { useSignal } from "@preact/signals";
import { type ComponentChildren } from "preact";
import { now } from "../live/stream.ts";
import { model } from "../live/model.ts";
import { person, typeName } from "../prefs.ts";
import { onlyLooks, signedInAs } from "../session.ts";
import { clockTime, duration } from "../times.ts";
import { t, type Key } from "../words.ts";
import type { Scene } from "./scene.ts";

/** A section of the page; while the document cannot be had, it says so itself. */
export function Section({
  id,
  title,
  scene,
  children,
}: {
  id: string;
  title: string;
  scene?: Scene;
  children: ComponentChildren;
}) {
  const refusal = scene?.refusal.value ?? null;
  return (
    <section id={id} class="craft-section" aria-labelledby={`${id}-title`}>
      <h2 id={`${id}-title`}>{title}</h2>
      {scene !== undefined && refusal !== null && (
        <p class="craft-refused">
          {scene.whole.peek().document === null
            ? t("aircraft.refused.never", { reason: refusal })
            : t("aircraft.refused.old", {
                time: clockTime(scene.whole.peek().at, model.timezone.value),
                reason: refusal,
              })}
        </p>
      )}
      {children}
    </section>
  );
}

export function Waiting({ scene }: { scene: Scene }) {
  return scene.refusal.value === null ? <p class="craft-quiet">{t("waiting")}</p> : null;
}

/** Something to open; what is in it is made only then. */
export function Fold({
  summary,
  children,
  start = false,
}: {
  summary: ComponentChildren;
  children: () => ComponentChildren;
  start?: boolean;
}) {
  const open = useSignal(start);
  return (
    <details class="craft-fold" open={open.value} onToggle={(event) => (open.value = event.currentTarget.open)}>
      <summary>{typeof summary === "string" ? <span class="craft-fold-words">{summary}</span> : summary}</summary>
      {open.value && <div class="craft-folded">{children()}</div>}
    </details>
  );
}

/** How long ago, ticking. */
export function Age({ at }: { at: string | null | undefined }) {
  if (at === null || at === undefined) return <span class="craft-age">{t("aircraft.never")}</span>;
  return <span class="craft-age">{duration(now.value - Date.parse(at))}</span>;
}

/** A moment in the site's time. */
export function Moment({ at }: { at: string }) {
  return <time dateTime={at}>{clockTime(Date.parse(at), model.timezone.value)}</time>;
}

export type Truth = boolean | null;

/** The shape of an answer: a disc for what is met, a barred block for what is not, a torn ring for what cannot be told. */
export function TruthShape({ truth }: { truth: Truth }) {
  return (
    <svg class="craft-truth" viewBox="-8 -8 16 16" width="16" height="16" aria-hidden="true">
      {truth === true && <circle r="4" fill="currentColor" />}
      {truth === false && (
        <>
          <rect x="-7" y="-7" width="14" height="14" fill="currentColor" />
          <rect class="craft-truth-bar" x="-4.5" y="-1.5" width="9" height="3" />
        </>
      )}
      {truth === null && <circle r="6" fill="none" stroke="currentColor" stroke-width="1.5" stroke-dasharray="3 2.6" />}
    </svg>
  );
}

/** An answer by shape and word; the words are given by the names of their texts. */
export function TruthWord({ truth, yes, no, unknown }: { truth: Truth; yes: Key; no: Key; unknown: Key }) {
  const word = truth === null ? t(unknown) : t(truth ? yes : no);
  return (
    <span class="craft-truthword" data-truth={String(truth)}>
      <TruthShape truth={truth} /> {word}
    </span>
  );
}

/** Who acts: kept in this browser and sent with every action. */
export function PersonField({ id, required = true }: { id: string; required?: boolean }) {
  return (
    <label class="craft-field" for={id}>
      <span>{required ? t("aircraft.person.needed") : t("aircraft.person")}</span>
      <input
        id={id}
        type="text"
        autocomplete="name"
        maxLength={80}
        required={required}
        readOnly={signedInAs.value !== null}
        value={person.value}
        onInput={(event) => typeName(event.currentTarget.value)}
      />
    </label>
  );
}

/** Why nothing can be sent from here, where the role only looks. */
export function Withheld() {
  return onlyLooks.value ? <p class="craft-quiet">{t("session.looks")}</p> : null;
}

export function ReasonField({ id, required, reason }: { id: string; required: boolean; reason: { value: string } }) {
  return (
    <label class="craft-field craft-wide" for={id}>
      <span>{required ? t("aircraft.reason.needed") : t("aircraft.reason")}</span>
      <input
        id={id}
        type="text"
        maxLength={500}
        required={required}
        value={reason.value}
        onInput={(event) => (reason.value = event.currentTarget.value)}
      />
    </label>
  );
}

/** A choice of door that the whole page shares. */
export function DoorField({
  id,
  doors,
  door,
  choose,
  none,
}: {
  id: string;
  doors: readonly string[];
  door: string;
  choose: (door: string) => void;
  /** What stands for no door in particular; left out where one has to be chosen. */
  none?: string;
}) {
  return (
    <label class="craft-field" for={id}>
      <span>{t("aircraft.door")}</span>
      <select id={id} value={door} onChange={(event) => choose(event.currentTarget.value)}>
        {none !== undefined && <option value="">{none}</option>}
        {doors.map((each) => (
          <option key={each} value={each}>
            {each}
          </option>
        ))}
      </select>
    </label>
  );
}
