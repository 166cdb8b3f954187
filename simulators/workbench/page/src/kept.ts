// What this browser remembers: the look and the language.

import { effect, signal, type Signal } from "@preact/signals";
import { languageWanted } from "./words.ts";

export const THEMES = ["auto", "light", "dark", "contrast"] as const;
export const theme: Signal<string> = signal("auto");

function keep(name: string, value: Signal<string>): void {
  const key = `sillwatch.bench.${name}`;
  try {
    value.value = localStorage.getItem(key) ?? value.peek();
  } catch {
    // Not allowed to look: it is kept for this page alone.
  }
  effect(() => {
    try {
      localStorage.setItem(key, value.value);
    } catch {
      // As above.
    }
  });
}

/** Take up what was kept, and follow it. */
export function followKept(): void {
  languageWanted.value = navigator.language.slice(0, 2);
  keep("theme", theme);
  keep("language", languageWanted);
  effect(() => void (document.documentElement.dataset["theme"] = theme.value));
}
