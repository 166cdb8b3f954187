// What is true beside what the sensors say, so that a fault is seen; and the faults that each can be given.

import { useSignal } from "@preact/signals";
import { useId, useRef } from "preact/hooks";
import { sendFault } from "./acting.ts";
import { bench } from "./live.ts";
import { figure, t, tAny } from "./words.ts";
import type { FaultKind, Reading, Value } from "./wire.ts";

function sayValue(value: Value | null): string {
  if (value === null) return t("value.none");
  if (typeof value === "boolean") return value ? t("value.yes") : t("value.no");
  if (typeof value === "number") return figure(value, Number.isInteger(value) ? 0 : 2);
  return value === "" ? "–" : value;
}

const differs = ({ true: so, said, quality }: Reading): boolean =>
  said !== so || (quality !== null && quality !== "good");

export function Readings({ readings, title }: { readings: readonly Reading[]; title: string }) {
  const chosen = useSignal<string | null>(null);
  return (
    <section class="readings">
      <table>
        <caption>{title}</caption>
        <thead>
          <tr>
            <th scope="col">{t("readings.signal")}</th>
            <th scope="col">{t("readings.true")}</th>
            <th scope="col">{t("readings.said")}</th>
            <th scope="col">
              <span class="unseen">{t("readings.fault")}</span>
            </th>
          </tr>
        </thead>
        <tbody>
          {readings.map((reading) => (
            <Row key={reading.key} reading={reading} open={chosen.value === reading.key} onOpen={() => (chosen.value = chosen.value === reading.key ? null : reading.key)} />
          ))}
        </tbody>
      </table>
    </section>
  );
}

function Row({ reading, open, onOpen }: { reading: Reading; open: boolean; onOpen: () => void }) {
  const id = useId();
  const off = differs(reading);
  const name = reading.signal.replaceAll("_", " ");
  const faults = reading.faults.length > 0 ? t("fault.some", { n: reading.faults.length }) : t("fault.short");
  return (
    <>
      <tr class={off ? "off" : undefined}>
        <th scope="row" lang="en">
          {name}
        </th>
        <td>{sayValue(reading.true)}</td>
        <td>
          <span class="said">{sayValue(reading.said)}</span>
          {reading.quality !== null && reading.quality !== "good" && <span class="quality"> {tAny(`quality.${reading.quality}`, reading.quality)}</span>}
          {off && <span class="unseen"> {t("readings.differs")}</span>}
        </td>
        <td class="act">
          <button type="button" aria-expanded={open} aria-controls={id} aria-label={`${faults}: ${name}`} onClick={onOpen}>
            {faults}
          </button>
        </td>
      </tr>
      <tr id={id} class="faults" hidden={!open}>
        {open && (
          <td colSpan={4}>
            <Faults reading={reading} name={name} />
          </td>
        )}
      </tr>
    </>
  );
}

function sayFault(fault: string, amount: Value | null, unit: string): string {
  const word = tAny(`fault.${fault}`, fault);
  // A reading's own unit stands nowhere on the page: the amount beside its value says enough.
  const after = unit === "own" ? "" : unit === "own/min" ? t("unit.min") : unit;
  return amount === null ? word : `${word}: ${sayValue(amount)} ${after}`.trimEnd();
}

function Faults({ reading, name }: { reading: Reading; name: string }) {
  const kinds = (bench.value?.faults ?? []).filter((kind) => fits(kind, reading));
  const kind = useSignal(kinds[0]?.fault ?? "");
  const amount = useRef<HTMLInputElement | HTMLSelectElement>(null);
  const chosen = kinds.find((each) => each.fault === kind.value);
  const give = (): void => {
    if (chosen !== undefined) void sendFault(reading.key, chosen.fault, readAmount(chosen, reading, amount.current?.value ?? ""));
  };
  return (
    <form
      class="fault-form"
      onSubmit={(event) => {
        event.preventDefault();
        give();
      }}
    >
      {reading.faults.length > 0 && (
        <p>
          {reading.faults.map((each) => sayFault(each.fault, each.amount, kinds.find((found) => found.fault === each.fault)?.unit ?? "")).join("; ")}{" "}
          <button type="button" onClick={() => void sendFault(reading.key, "mend")}>
            {t("fault.mend")}
          </button>
        </p>
      )}
      <label>
        {t("fault.kind")}
        <select value={kind.value} onChange={(event) => (kind.value = event.currentTarget.value)}>
          {kinds.map((each) => (
            <option key={each.fault} value={each.fault}>
              {tAny(`fault.${each.fault}`, each.fault)}
            </option>
          ))}
        </select>
      </label>
      {chosen !== undefined && chosen.amount !== "none" && <Amount kind={chosen} reading={reading} amount={amount} name={name} />}
      <button type="submit">{t("fault.give")}</button>
    </form>
  );
}

function Amount({ kind, reading, amount, name }: { kind: FaultKind; reading: Reading; amount: { current: HTMLInputElement | HTMLSelectElement | null }; name: string }) {
  const label = kind.amount === "value" ? t("fault.value", { signal: name }) : t("fault.amount", { unit: tAny(`unit.${kind.unit}`, kind.unit) });
  const take = (element: HTMLInputElement | HTMLSelectElement | null): void => void (amount.current = element);
  const so = exampleOf(reading);
  if (kind.amount === "value" && typeof so === "boolean") {
    return (
      <label>
        {label}
        <select ref={take} key={kind.fault}>
          {/* What is not true comes first: that is the fault. */}
          {[!so, so].map((value) => (
            <option key={String(value)} value={String(value)}>
              {sayValue(value)}
            </option>
          ))}
        </select>
      </label>
    );
  }
  const number = kind.amount === "number" || typeof so === "number";
  return (
    <label>
      {label}
      <input
        ref={take}
        key={kind.fault}
        {...(number ? { type: "number", step: "any" } : { type: "text", maxLength: 40 })}
        defaultValue={kind.usual === null ? "" : String(kind.usual)}
        required
      />
    </label>
  );
}

/** A value of the reading's kind: what is true of it, or of what is only read by somebody, what they said. */
const exampleOf = ({ true: so, said }: Reading): Value | null => so ?? said;

/** Whether a sensor of that kind can fail so. */
function fits(kind: FaultKind, reading: Reading): boolean {
  const so = exampleOf(reading);
  if (kind.fault === "bounce") return typeof so === "boolean";
  return kind.fault === "bias" || kind.fault === "drift" ? typeof so === "number" : true;
}

function readAmount(kind: FaultKind, reading: Reading, text: string): Value | null {
  if (kind.amount === "none") return null;
  const so = exampleOf(reading);
  if (kind.amount === "value" && typeof so === "boolean") return text === "true";
  const number = kind.amount === "number" || typeof so === "number";
  return number ? Number(text) : text;
}
