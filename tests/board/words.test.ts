// The words: every language says the same things, every word is used, and every place is filled.

import assert from "node:assert/strict";
import { readdirSync, readFileSync } from "node:fs";
import { dirname, join } from "node:path";
import { afterEach, test } from "node:test";
import { fileURLToPath } from "node:url";
import { language, nameLanguage, t, tAny, tCount, useLanguage } from "../../monitor/adapters/web/board/src/words.ts";

const ROOT = join(dirname(fileURLToPath(import.meta.url)), "../..");
const BOARD = join(ROOT, "monitor/adapters/web/board");
type Words = Record<string, string>;

const read = (path: string): string => readFileSync(path, "utf8");
const tags = readdirSync(join(BOARD, "locales")).map((name) => name.replace(/\.json$/, "")).sort();
const locales = new Map<string, Words>(tags.map((tag) => [tag, JSON.parse(read(join(BOARD, "locales", `${tag}.json`))) as Words]));
const english = locales.get("en") ?? {};
const others = tags.filter((tag) => tag !== "en");

/** Texts that the service sends in English, said in another language too: no language has to. */
const OF_AN_ALERT = /^alert\.([a-z0-9-]+)\.(title|action)$/;
const PLURAL = /\.(zero|one|two|few|many|other)$/;

const placesOf = (text: string): string[] => [...new Set([...text.matchAll(/\{(\w+)\}/g)].map((found) => found[1] ?? ""))].sort();

function listSources(folder: string): string[] {
  return readdirSync(folder, { recursive: true, encoding: "utf8" })
    .filter((name) => /\.tsx?$/.test(name))
    .map((name) => join(folder, name));
}

const source = listSources(join(BOARD, "src"))
  .map(read)
  .join("\n")
  .replace(/^\s*\/\/.*$/gm, "");
const literals = new Set([...source.matchAll(/["'`]([a-z0-9_-]+(?:\.[a-z0-9_ -]+)*)["'`]/gi)].map((found) => found[1] ?? ""));
/** Beginnings of keys that are made up at run time, as in `state.${word}`. */
const beginnings = [...new Set([...source.matchAll(/`([a-z0-9_-]+(?:\.[a-z0-9_-]+)*\.)\$\{/gi)].map((found) => found[1] ?? ""))];

test("English and at least one other language are there", () => {
  assert.ok(tags.includes("en"));
  assert.ok(others.length > 0);
});

for (const tag of others) {
  const words = locales.get(tag) ?? {};

  test(`${tag} has every word of the English and no other`, () => {
    const plain = (all: Words): string[] => Object.keys(all).filter((key) => !OF_AN_ALERT.test(key) && !PLURAL.test(key)).sort();
    assert.deepEqual(plain(words), plain(english));
  });

  test(`${tag} has every form of number that the language asks for`, () => {
    const counted = (all: Words): string[] => [...new Set(Object.keys(all).filter((key) => PLURAL.test(key)).map((key) => key.replace(PLURAL, "")))].sort();
    assert.deepEqual(counted(words), counted(english));
    for (const form of new Intl.PluralRules(tag).resolvedOptions().pluralCategories) {
      for (const key of counted(english)) assert.ok(`${key}.${form}` in words, `${key}.${form}`);
    }
  });

  test(`${tag} fills the same places`, () => {
    for (const [key, text] of Object.entries(words)) {
      if (OF_AN_ALERT.test(key)) continue;
      // A form of number that English does not have is held to its general one.
      const wanted = placesOf(english[key] ?? english[key.replace(PLURAL, ".other")] ?? "");
      assert.deepEqual(placesOf(text), wanted, key);
    }
  });

  test(`${tag} leaves no text empty and says of no alert what there is not`, () => {
    const catalogue = read(join(ROOT, "config/catalogue.md"));
    for (const [key, text] of Object.entries(words)) {
      assert.ok(text.trim().length > 0, key);
      const code = OF_AN_ALERT.exec(key)?.[1];
      if (code !== undefined) assert.ok(catalogue.includes(`\`${code}\``), key);
    }
  });
}

test("English holds no text of an alert: those come from the service", () => {
  assert.deepEqual(Object.keys(english).filter((key) => OF_AN_ALERT.test(key)), []);
});

test("English has both forms of whatever is counted", () => {
  for (const key of Object.keys(english).filter((each) => PLURAL.test(each))) {
    for (const form of ["one", "other"]) assert.ok(key.replace(PLURAL, `.${form}`) in english, `${key}: ${form}`);
  }
});

test("every word is used by the page", () => {
  const unused = Object.keys(english).filter(
    (key) =>
      !literals.has(key) && !(PLURAL.test(key) && literals.has(key.replace(PLURAL, ""))) && !beginnings.some((beginning) => key.startsWith(beginning)),
  );
  assert.deepEqual(unused, []);
});

test("every word that the page asks for by name is there", () => {
  const asked = [...source.matchAll(/\bt(Count|Any)?\(\s*"([^"]+)"/g)];
  assert.ok(asked.length > 50, "the page's words were found in its sources");
  for (const [, kind, key = ""] of asked) assert.ok((kind === "Count" ? `${key}.other` : key) in english, key);
});

test("what is made up at run time begins like some word", () => {
  const known = [...Object.keys(english), ...[...locales.values()].flatMap((words) => Object.keys(words))];
  const used = [...source.matchAll(/\bt(?:Any|Count)?\(\s*`([a-z0-9_.-]+\.)\$\{/gi)].map((found) => found[1] ?? "");
  assert.ok(used.length > 0);
  for (const beginning of used) assert.ok(known.some((key) => key.startsWith(beginning)), beginning);
});

function standIn(files: Readonly<Record<string, string>>): { root: { lang: string }; asked: string[] } {
  const root = { lang: "en" };
  const asked: string[] = [];
  const addresses = Object.fromEntries(Object.keys(files).map((tag) => [tag, `/assets/locale-${tag}.json`]));
  Object.assign(globalThis, {
    document: { querySelector: () => ({ content: JSON.stringify(addresses) }), documentElement: root },
    fetch: async (address: string) => {
      asked.push(address);
      return new Response(files[/locale-(\w+)/.exec(address)?.[1] ?? ""]);
    },
  });
  return { root, asked };
}

afterEach(async () => {
  standIn({ en: "{}" });
  await useLanguage("en");
});

test("places are filled, and one that nobody filled stays to be seen", () => {
  assert.equal(t("clock.utc", { time: "09:41:45" }), "09:41:45 UTC");
  assert.equal(t("clock.utc"), "{time} UTC");
  assert.equal(t("clock.utc", { time: "{time}" }), "{time} UTC", "what is filled in is not filled again");
});

test("a word made up at run time that is not there shows what it was made of", () => {
  assert.equal(tAny("state.armed", "x"), "armed");
  assert.equal(tAny("state.of another kind", "of another kind"), "of another kind");
});

test("numbers take the form of their language", () => {
  assert.equal(tCount("health.senders.some", 1, { live: 0 }), "1 aircraft, 0 heard live.");
  assert.equal(tCount("no.such.key", 2), "no.such.key");
});

test("another language is fetched, named, and falls back to English where it has no word", async () => {
  const { root, asked } = standIn({ en: "{}", de: JSON.stringify({ waiting: "Wartet." }) });
  await useLanguage("de");
  assert.deepEqual(asked, ["/assets/locale-de.json"]);
  assert.equal(language.value, "de");
  assert.equal(root.lang, "de");
  assert.equal(t("waiting"), "Wartet.");
  assert.equal(t("skip"), english["skip"]);
  await useLanguage("xx");
  assert.equal(language.value, "de", "one that is not shipped changes nothing");
  await useLanguage("en");
  assert.equal(t("waiting"), english["waiting"]);
});

test("a language is called by its own name", () => {
  assert.equal(nameLanguage("de"), "Deutsch");
  assert.equal(nameLanguage("en"), "English");
});
