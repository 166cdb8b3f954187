// The words of the page, from one file a language. A text is looked up by its name; what
// stands in braces is filled in. English is always there; another language is fetched.

import { signal, type Signal } from "@preact/signals";
import english from "../locales/en.json" with { type: "json" };

export type Key = keyof typeof english;
type Words = Readonly<Record<string, string>>;

const words: Signal<Words> = signal(english);
/** The language in use, as a BCP 47 tag. */
export const language: Signal<string> = signal("en");

/** The text of that name, with its places filled in; a missing one falls back to English. */
export function t(key: Key, places: Readonly<Record<string, string | number>> = {}): string {
  const text = words.value[key] ?? english[key];
  return text.replace(/\{(\w+)\}/g, (whole, name: string) => (name in places ? String(places[name]) : whole));
}

/** Like `t` for a name made up at run time; what has no words is shown as `otherwise`. */
export function tAny(key: string, otherwise: string): string {
  return words.value[key] ?? (english as Words)[key] ?? otherwise;
}

const plurals = new Map<string, Intl.PluralRules>();

/** Making the rules of a language takes a millisecond: once is enough. */
function pluralsOf(tag: string): Intl.PluralRules {
  let rules = plurals.get(tag);
  if (rules === undefined) plurals.set(tag, (rules = new Intl.PluralRules(tag)));
  return rules;
}

/** The text `{key}.one` or `{key}.other`, whichever the language asks for with that number. */
export function tCount(key: string, n: number, places: Readonly<Record<string, string | number>> = {}): string {
  const form = pluralsOf(language.value).select(n);
  const text = words.value[`${key}.${form}`] ?? words.value[`${key}.other`] ?? (english as Words)[`${key}.other`] ?? key;
  return text.replace(/\{(\w+)\}/g, (whole, name: string) => (name === "n" ? String(n) : String(places[name] ?? whole)));
}

/** The languages that the service ships: tag → address of the file. */
export function listLanguages(): Readonly<Record<string, string>> {
  const meta = document.querySelector<HTMLMetaElement>('meta[name="sillwatch-locales"]');
  return JSON.parse(meta?.content ?? "{}") as Record<string, string>;
}

/** A language's name in itself, such as "Deutsch". */
export function nameLanguage(tag: string): string {
  return new Intl.DisplayNames([tag], { type: "language" }).of(tag) ?? tag;
}

let wanted = "en";

/** Use a language; one that is not shipped, or cannot be fetched, leaves everything as it is. The last one asked for counts. */
export async function useLanguage(tag: string): Promise<void> {
  const address = listLanguages()[tag];
  if (address === undefined) return;
  wanted = tag;
  let loaded: Words = english;
  try {
    if (tag !== "en") loaded = (await (await fetch(address)).json()) as Words;
  } catch {
    return;
  }
  if (wanted !== tag) return;
  words.value = loaded;
  language.value = tag;
  document.documentElement.lang = tag;
}
