// Starting a named drill: at which doors, by which procedure, for how long. While it runs, what is raised there is marked
// as a drill and pages nobody; it counts down and is ended among the permits, being one.

import { useSignal } from "@preact/signals";
import { useRef } from "preact/hooks";
import { PersonField, ReasonField, Withheld } from "../aircraft/parts.tsx";
import { Said } from "../aircraft/Report.tsx";
import { useSending } from "../aircraft/sending.ts";
import { useAnswer } from "../debrief/asking.ts";
import { foreign } from "../foreign.ts";
import { model } from "../live/model.ts";
import { person } from "../prefs.ts";
import { onlyLooks } from "../session.ts";
import type { PermitDocument } from "../wire.ts";
import { t } from "../words.ts";
import type { Drills, ProcedureDocument, Procedures } from "./documents.ts";

const NAME_MAX = 80;
const TRAINEE_MAX = 40;
const MINUTES = [10, 20, 30, 45, 60, 90, 120] as const;
const MINUTES_FIRST = 30;

/** Whether a procedure fits any of these doors; one that does not say what it fits, fits all. */
export function fits(procedure: ProcedureDocument, kinds: ReadonlySet<string>): boolean {
  return procedure.kinds === undefined || kinds.size === 0 || procedure.kinds.some((kind) => kinds.has(kind));
}

function Form({ registration, close }: { registration: string; close: () => void }) {
  const procedures = useAnswer<Procedures>(useSignal("/api/v1/procedures")).value.document;
  const drills = useAnswer<Drills>(useSignal("/api/v1/drills?limit=1")).value.document;
  const chosen = useSignal<ReadonlySet<string>>(new Set());
  const name = useSignal("");
  const procedure = useSignal("");
  const minutes = useSignal<number>(MINUTES_FIRST);
  const reason = useSignal("");
  const trainee = useSignal("");
  const { busy, outcome, send } = useSending();
  const doors = [...(model.view(registration).value?.doors.values() ?? [])];
  const kinds = new Set(doors.filter(({ door }) => chosen.value.has(door)).map(({ kind }) => kind));
  const keepsLabels = (drills?.keep_labels_days ?? procedures?.keep_labels_days ?? 0) > 0;
  const submit = async (): Promise<void> => {
    if (onlyLooks.peek() || busy.peek()) return;
    const body = {
      kind: "drill",
      aircraft: registration,
      doors: [...chosen.value],
      codes: [],
      reason: reason.value,
      by: person.value.trim(),
      minutes: minutes.value,
      ...(name.value.trim() === "" ? {} : { name: name.value.trim() }),
      ...(procedure.value === "" ? {} : { procedure: procedure.value }),
      ...(keepsLabels && trainee.value.trim() !== "" ? { trainee: trainee.value.trim() } : {}),
    };
    const done = (): string => t("drill.started", { name: name.value.trim() || t("aircraft.permit.kind.drill") });
    if (await send<PermitDocument>("/api/v1/permits", body, done)) close();
  };
  const toggle = (door: string): void => {
    const next = new Set(chosen.peek());
    if (!next.delete(door)) next.add(door);
    chosen.value = next;
  };
  const id = (field: string): string => `drill-${field}`;
  return (
    <form
      id="drill-form"
      onKeyDown={(event) => {
        if (event.key === "Escape") close();
      }}
      onSubmit={(event) => {
        event.preventDefault();
        void submit();
      }}
    >
      <p>{t("drill.explain")}</p>
      <Withheld />
      <div class="craft-form">
        <label class="craft-field craft-wide" for={id("name")}>
          <span>{t("drill.name")}</span>
          <input
            id={id("name")}
            type="text"
            required
            maxLength={NAME_MAX}
            autocomplete="off"
            value={name.value}
            onInput={(event) => (name.value = event.currentTarget.value)}
          />
        </label>
        <label class="craft-field" for={id("procedure")}>
          <span>{t("drill.procedure")}</span>
          <select id={id("procedure")} value={procedure.value} onChange={(event) => (procedure.value = event.currentTarget.value)}>
            <option value="">{t("drill.procedure.none")}</option>
            {(procedures?.items ?? [])
              .filter((each) => fits(each, kinds))
              .map((each) => (
                <option key={each.procedure} value={each.procedure} lang="en">
                  {foreign(each.title)}
                </option>
              ))}
          </select>
        </label>
        <label class="craft-field" for={id("minutes")}>
          <span>{t("drill.minutes")}</span>
          <select id={id("minutes")} value={String(minutes.value)} onChange={(event) => (minutes.value = Number(event.currentTarget.value))}>
            {MINUTES.map((each) => (
              <option key={each} value={String(each)}>
                {t("aircraft.line.minutes", { n: each })}
              </option>
            ))}
          </select>
        </label>
      </div>
      <fieldset class="drill-doors">
        <legend>{t("drill.doors")}</legend>
        {doors.map(({ door }) => (
          <label key={door}>
            <input type="checkbox" checked={chosen.value.has(door)} onChange={() => toggle(door)} />
            {door}
          </label>
        ))}
      </fieldset>
      <div class="craft-form">
        <PersonField id={id("by")} />
        <ReasonField id={id("reason")} required={true} reason={reason} />
        {keepsLabels && (
          <label class="craft-field" for={id("trainee")}>
            <span>{t("drill.trainee")}</span>
            <input
              id={id("trainee")}
              type="text"
              maxLength={TRAINEE_MAX}
              autocomplete="off"
              value={trainee.value}
              onInput={(event) => (trainee.value = event.currentTarget.value)}
            />
          </label>
        )}
      </div>
      <div class="craft-controls">
        <button type="submit" aria-disabled={busy.value || onlyLooks.value}>
          {t("drill.confirm")}
        </button>
        <button type="button" onClick={close}>
          {t("aircraft.cancel")}
        </button>
      </div>
      <Said outcome={outcome.value} />
    </form>
  );
}

export function StartDrill({ registration }: { registration: string }) {
  const open = useSignal(false);
  const opener = useRef<HTMLButtonElement>(null);
  const close = (): void => {
    open.value = false;
    opener.current?.focus();
  };
  return (
    <div class="craft-confirm drill-start">
      <button
        ref={opener}
        type="button"
        aria-expanded={open.value}
        aria-controls="drill-form"
        onClick={() => (open.value = !open.value)}
      >
        {t("drill.open")}
      </button>
      {open.value && <Form registration={registration} close={close} />}
    </div>
  );
}
