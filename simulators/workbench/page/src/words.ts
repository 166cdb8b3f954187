// The words of the bench, in every language at once: there are few of them.

import { computed, signal, type Signal } from "@preact/signals";
import english from "../locales/en.json" with { type: "json" };
import german from "../locales/de.json" with { type: "json" };

export type Key = keyof typeof english;
type Words = Readonly<Record<string, string>>;

const LANGUAGES: Readonly<Record<string, Words>> = { en: english, de: german };
export const TAGS: readonly string[] = Object.keys(LANGUAGES);

/** The language that is wanted, as a BCP 47 tag. */
export const languageWanted: Signal<string> = signal("en");
/** The language in use. */
export const language = computed(() => (languageWanted.value in LANGUAGES ? languageWanted.value : "en"));

type Places = Readonly<Record<string, string | number>>;

const fill = (text: string, places: Places): string =>
  text.replace(/\{(\w+)\}/g, (whole, name: string) => (name in places ? String(places[name]) : whole));

/** The text of that name, with its places filled in. */
export function t(key: Key, places: Places = {}): string {
  return fill((LANGUAGES[language.value] ?? english)[key] ?? english[key], places);
}

/** Like `t` for a name made up at run time; what has no words is shown as `otherwise`. */
export function tAny(key: string, otherwise: string, places: Places = {}): string {
  return fill((LANGUAGES[language.value] ?? (english as Words))[key] ?? (english as Words)[key] ?? otherwise, places);
}

const numbers = new Map<string, Intl.NumberFormat>();

/** A number as the language writes it, with so many decimals at most. */
export function figure(value: number, digits = 0): string {
  const name = `${language.value} ${digits}`;
  let format = numbers.get(name);
  if (format === undefined) {
    format = new Intl.NumberFormat(language.value, { maximumFractionDigits: digits });
    numbers.set(name, format);
  }
  return format.format(value);
}
