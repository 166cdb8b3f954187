// The filter of the alerts page; it stands in the address.

import { useEffect, useState } from "preact/hooks";
import { t, type Key } from "../words.ts";
import { isFiltered, NO_FILTER, writeFilter, type PageFilter } from "./filter.ts";
import { filter, release } from "./holding.ts";

const FIELDS: Readonly<Record<PageFilter["view"], readonly (keyof PageFilter)[]>> = {
  now: ["priority", "aircraft", "stand", "door", "text"],
  history: ["aircraft", "door", "code", "since", "until"],
  audit: [],
};
const TYPING_MS = 250;

function set(next: PageFilter): void {
  release();
  filter.value = next;
  // The page stays where it is: a filter is no step that the browser's back button should undo letter by letter.
  history.replaceState(null, "", writeFilter(next));
}

function Field({ name }: { name: keyof PageFilter }) {
  const value = filter.value[name];
  const [typed, setTyped] = useState<string>(value);
  useEffect(() => setTyped(value), [value]);
  useEffect(() => {
    if (typed === filter.peek()[name]) return undefined;
    const timer = setTimeout(() => set({ ...filter.peek(), [name]: typed }), TYPING_MS);
    return () => clearTimeout(timer);
  }, [typed]);
  const time = name === "since" || name === "until";
  return (
    <label class={`filter-field filter-${name}`}>
      <span>{t(`alerts.filter.${name}` as Key)}</span>
      <input
        {...(time ? { type: "datetime-local" } : { type: "text", maxLength: 64 })}
        autocomplete="off"
        autocapitalize="off"
        spellcheck={false}
        value={typed}
        onInput={(event) => setTyped(event.currentTarget.value)}
      />
    </label>
  );
}

function PriorityField() {
  return (
    <label class="filter-field">
      <span>{t("alerts.filter.priority")}</span>
      <select
        value={filter.value.priority}
        onChange={(event) => set({ ...filter.peek(), priority: event.currentTarget.value as PageFilter["priority"] })}
      >
        <option value="">{t("alerts.filter.all")}</option>
        {(["warning", "caution", "advisory"] as const).map((each) => (
          <option key={each} value={each}>
            {t(`priority.${each}`)}
          </option>
        ))}
      </select>
    </label>
  );
}

export function FilterBar() {
  const { view } = filter.value;
  const filtered = isFiltered(filter.value);
  // On a small screen the fields would push the alerts out of sight; what is filtered is never hidden.
  const [open, setOpen] = useState(filtered);
  if (FIELDS[view].length === 0) return null;
  return (
    <details class="filter" open={open} onToggle={(event) => setOpen(event.currentTarget.open)}>
      <summary>{t(filtered ? "alerts.filter.on" : "alerts.filter.open")}</summary>
      <div class="filter-fields" role="search" aria-label={t("alerts.filter.open")}>
        {FIELDS[view].map((name) => (name === "priority" ? <PriorityField key={name} /> : <Field key={name} name={name} />))}
        {filtered && (
          <button type="button" onClick={() => set({ ...NO_FILTER, view })}>
            {t("alerts.filter.clear")}
          </button>
        )}
      </div>
    </details>
  );
}
