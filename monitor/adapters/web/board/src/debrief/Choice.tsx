// What a debrief is to be of: a drill, an aircraft, a stand or the site, over which time and in whose time zone.

import { useSignal } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import type { DrillDocument } from "../drills/documents.ts";
import { model } from "../live/model.ts";
import { go } from "../route.ts";
import { calendarDay, clockMinute } from "../times.ts";
import { t } from "../words.ts";
import { AGES, isAge, KINDS, NOTHING_ASKED, pageAddress, type Asked, type Kind } from "./address.ts";

/** A drill as it stands in a list to choose from. */
export function sayDrill(drill: DrillDocument, zone: string): string {
  const at = Date.parse(drill.began_at);
  const name = drill.name || t("aircraft.permit.kind.drill");
  return `${name}, ${drill.aircraft}${drill.simulated === true ? ` (${t("simulated")})` : ""}, ${calendarDay(at, zone)} ${clockMinute(at, zone)}`;
}

interface FieldProps {
  name: keyof Asked;
  label: string;
  value: string;
  set: (value: string) => void;
  list?: readonly string[];
  time?: boolean;
  required?: boolean;
}

function Field({ name, label, value, set, list, time = false, required = false }: FieldProps) {
  const id = `debrief-${name}`;
  return (
    <label class="craft-field" for={id}>
      <span>{label}</span>
      <input
        id={id}
        type={time ? "datetime-local" : "text"}
        maxLength={80}
        required={required}
        autocomplete="off"
        autocapitalize="off"
        spellcheck={false}
        {...(list === undefined ? {} : { list: `${id}-list` })}
        value={value}
        onInput={(event) => set(event.currentTarget.value)}
      />
      {list !== undefined && (
        <datalist id={`${id}-list`}>
          {list.map((each) => (
            <option key={each} value={each} />
          ))}
        </datalist>
      )}
    </label>
  );
}

function DrillField({ name, label, drills, value, set, none }: { name: "drill" | "beside"; label: string; drills: readonly DrillDocument[]; value: string; set: (value: string) => void; none: string }) {
  const zone = model.timezone.value;
  const id = `debrief-${name}`;
  const known = drills.some((drill) => drill.permit_id === value);
  return (
    <label class="craft-field craft-wide" for={id}>
      <span>{label}</span>
      <select id={id} value={value} onChange={(event) => set(event.currentTarget.value)}>
        <option value="">{none}</option>
        {!known && value !== "" && <option value={value}>{value}</option>}
        {drills.map((drill) => (
          <option key={drill.permit_id} value={drill.permit_id}>
            {sayDrill(drill, zone)}
          </option>
        ))}
      </select>
    </label>
  );
}

const OWN = "own";
/** What the service takes where no beginning is given. */
const AGE_USUAL = "24h";

export function Choice({ asked, drills }: { asked: Asked | null; drills: readonly DrillDocument[] }) {
  const form = useSignal<Asked>(asked ?? { ...NOTHING_ASKED, kind: "aircraft", since: "2h" });
  const own = useSignal(false);
  useEffect(() => {
    if (asked === null) return;
    form.value = asked;
    own.value = asked.until !== "" || (asked.since !== "" && !isAge(asked.since));
  }, [asked]);
  // The drills are known only after a moment; whoever has begun to choose is not interrupted.
  const first = useRef(form.peek());
  useEffect(() => {
    if (asked === null && drills.length > 0 && form.peek() === first.current) set({ kind: "drill" });
  }, [drills.length > 0]);
  const { value } = form;
  const set = (part: Partial<Asked>): void => void (form.value = { ...form.peek(), ...part });
  const age = own.value ? OWN : value.since || AGE_USUAL;
  const ages: readonly string[] = own.value || AGES.some((each) => each === age) ? AGES : [...AGES, age];
  const choose = (chosen: string): void => {
    own.value = chosen === OWN;
    set({ since: chosen === OWN ? "" : chosen, until: "" });
  };
  const ready =
    value.kind === "site" || (value.kind === "drill" ? value.drill : value.kind === "aircraft" ? value.aircraft : value.stand).trim() !== "";
  return (
    <form
      class="debrief-choice"
      aria-label={t("debrief.choose")}
      onSubmit={(event) => {
        event.preventDefault();
        if (ready) go(pageAddress({ ...form.peek(), aircraft: form.peek().aircraft.trim().toUpperCase() }));
      }}
    >
      <fieldset class="choice-minutes">
        <legend>{t("debrief.kind")}</legend>
        {KINDS.map((kind: Kind) => (
          <label key={kind}>
            <input type="radio" name="debrief-kind" checked={value.kind === kind} onChange={() => set({ kind })} />
            {t(`debrief.kind.${kind}`)}
          </label>
        ))}
      </fieldset>
      <div class="craft-form">
        {value.kind === "drill" && (
          <>
            <DrillField name="drill" label={t("debrief.kind.drill")} drills={drills} value={value.drill} set={(drill) => set({ drill })} none={t("debrief.drill.choose")} />
            <DrillField name="beside" label={t("debrief.beside")} drills={drills.filter((each) => each.permit_id !== value.drill)} value={value.beside} set={(beside) => set({ beside })} none={t("debrief.beside.none")} />
          </>
        )}
        {value.kind === "aircraft" && (
          <>
            <Field name="aircraft" label={t("debrief.registration")} value={value.aircraft} set={(aircraft) => set({ aircraft })} list={model.registrations.value} required />
            <Field name="door" label={t("debrief.door")} value={value.door} set={(door) => set({ door })} list={[...(model.view(value.aircraft.toUpperCase()).value?.doors.keys() ?? [])]} />
          </>
        )}
        {value.kind === "stand" && (
          <Field name="stand" label={t("debrief.kind.stand")} value={value.stand} set={(stand) => set({ stand })} list={[...model.stands.value.keys()]} required />
        )}
        {value.kind !== "drill" && (
          <label class="craft-field" for="debrief-age">
            <span>{t("debrief.period")}</span>
            <select id="debrief-age" value={age} onChange={(event) => choose(event.currentTarget.value)}>
              {ages.map((each) => (
                <option key={each} value={each}>
                  {t("debrief.last", { age: each })}
                </option>
              ))}
              <option value={OWN}>{t("debrief.own")}</option>
            </select>
          </label>
        )}
        {value.kind !== "drill" && own.value && (
          <>
            <Field name="since" label={t("debrief.since")} value={value.since} set={(since) => set({ since })} time required />
            <Field name="until" label={t("debrief.until")} value={value.until} set={(until) => set({ until })} time />
          </>
        )}
        <Field name="zone" label={t("debrief.zone.field", { zone: model.timezone.value })} value={value.zone} set={(zone) => set({ zone })} />
        <button type="submit" aria-disabled={!ready}>
          {t("debrief.show")}
        </button>
      </div>
    </form>
  );
}
