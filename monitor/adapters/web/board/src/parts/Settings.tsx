// What a person may set at this board: a panel that opens below its button and covers nothing else.
//
// Not a modal dialog: that would lie over a warning, and over the word that the page is not live.

import { useSignal } from "@preact/signals";
import { useEffect, useId, useRef } from "preact/hooks";
import { later } from "../later.tsx";
import { t } from "../words.ts";

const Fields = later(() => import("./Fields.tsx").then((part) => part.Fields));

export function Settings() {
  const open = useSignal(false);
  const id = useId();
  const place = useRef<HTMLDivElement>(null);
  const button = useRef<HTMLButtonElement>(null);

  useEffect(() => {
    if (!open.value) return undefined;
    const onKey = (event: KeyboardEvent): void => {
      if (event.key !== "Escape") return;
      event.preventDefault();
      const inside = place.current?.contains(document.activeElement) ?? false;
      open.value = false;
      if (inside) button.current?.focus();
    };
    const onPointer = (event: PointerEvent): void => {
      if (!place.current?.contains(event.target as Node)) open.value = false;
    };
    document.addEventListener("keydown", onKey);
    document.addEventListener("pointerdown", onPointer);
    return () => {
      document.removeEventListener("keydown", onKey);
      document.removeEventListener("pointerdown", onPointer);
    };
  }, [open.value]);

  return (
    <div class="settings" ref={place}>
      <button ref={button} type="button" aria-expanded={open.value} aria-controls={id} onClick={() => (open.value = !open.value)}>
        {t("prefs.open")}
      </button>
      <div id={id} class="settings-panel" role="group" aria-label={t("prefs.open")} hidden={!open.value}>
        {open.value && <Fields onDone={() => (open.value = false)} />}
      </div>
    </div>
  );
}
