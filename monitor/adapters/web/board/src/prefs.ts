// What this browser remembers for its user: the look, the language, a name. Nothing of it is a secret.

import { computed, effect, signal, type ReadonlySignal, type Signal } from "@preact/signals";
import { signedInAs } from "./session.ts";

export type Theme = "auto" | "light" | "dark" | "contrast";
export const THEMES: readonly Theme[] = ["auto", "light", "dark", "contrast"];

/** A value that survives a reload; a browser that keeps nothing (private mode) still works. */
export function kept(name: string, otherwise: string): Signal<string> {
  const key = `sillwatch.${name}`;
  let found: string | null = null;
  try {
    found = localStorage.getItem(key);
  } catch {
    // Not allowed to look: it is kept for this page alone.
  }
  const value = signal(found ?? otherwise);
  effect(() => {
    try {
      localStorage.setItem(key, value.value);
    } catch {
      // As above.
    }
  });
  return value;
}

export const theme: Signal<string> = kept("theme", "auto");
export const languageWanted: Signal<string> = kept("language", navigator.language.slice(0, 2));
const typedName = kept("person", "");
/** Who acts at this board; goes with every action. Whoever is signed in, or else the name that was typed here. */
export const person: ReadonlySignal<string> = computed(() => signedInAs.value ?? typedName.value);
export const typeName = (name: string): void => void (typedName.value = name);
/** What people call this screen; told to the service with what it draws. */
export const boardName: Signal<string> = kept("board", "");

/** Make the whole page follow the look that is wanted. */
export function followTheme(): void {
  effect(() => {
    document.documentElement.dataset["theme"] = theme.value;
  });
}
