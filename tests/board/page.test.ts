// What is around every page: its address, its title, its language, and when it is loaded anew.

import assert from "node:assert/strict";
import { test } from "node:test";
import { settleStrip, SHOW_AFTER_MS } from "../../monitor/adapters/web/board/src/alerts/standing_in.ts";
import { makeDeaf, makePattern } from "../../monitor/adapters/web/board/src/alerts/sounding.ts";
import { rankOf } from "../../monitor/adapters/web/board/src/apron/order.ts";
import { waitFor } from "../../monitor/adapters/web/board/src/live/anew.ts";
import { Model } from "../../monitor/adapters/web/board/src/live/model.ts";
import { readRoute } from "../../monitor/adapters/web/board/src/route.ts";
import { makeTitle } from "../../monitor/adapters/web/board/src/title.ts";
import { language, useLanguage } from "../../monitor/adapters/web/board/src/words.ts";
import type { AircraftRow } from "../../monitor/adapters/web/board/src/wire.ts";
import { makeAlert } from "./alerts_made.ts";

const at = (path: string): ReturnType<typeof readRoute> => readRoute(new URL(path, "http://board.test"));

test("an address is read as somebody may type it, and an unknown one is not the apron", () => {
  const aircraft = { page: "aircraft", registration: "ZZ-BRU", door: null };
  for (const path of ["/aircraft/ZZ-BRU", "/aircraft/zz-bru", "/aircraft/ZZ-BRU/", "/aircraft/ZZ-BRU%20"]) {
    assert.deepEqual(at(path), aircraft, path);
  }
  assert.deepEqual(at("/aircraft/zz-bru?door=L1"), { ...aircraft, door: "L1" });
  assert.deepEqual(at("/"), { page: "apron", wall: false });
  assert.deepEqual(at("/?wall"), { page: "apron", wall: true });
  assert.deepEqual(at("/alerts/"), { page: "alerts" });
  assert.deepEqual(at("/health"), { page: "health" });
  for (const path of ["/aircraft/Z", "/aircraft/ZZ_BRU", "/aircraft", "/alert", "/x"]) assert.deepEqual(at(path), { page: "none" }, path);
});

test("each page has a title of its own, led by what matters most", () => {
  assert.equal(makeTitle(at("/"), true, 0), "Apron – Sillwatch");
  assert.equal(makeTitle(at("/?wall"), true, 0), "Wall – Sillwatch");
  assert.equal(makeTitle(at("/aircraft/zz-bru"), true, 1), "(1 warning) ZZ-BRU – Sillwatch");
  assert.equal(makeTitle(at("/alerts"), true, 2), "(2 warnings) Alerts – Sillwatch");
  assert.equal(makeTitle(at("/health"), false, 2), "NOT LIVE Health – Sillwatch");
});

test("a page is loaded anew soon, but never twice within a minute", () => {
  const now = 1_800_000_000_000;
  assert.equal(waitFor(0, now), 1_000);
  assert.equal(waitFor(now - 60_000, now), 1_000);
  assert.equal(waitFor(now - 20_000, now), 40_000);
  assert.equal(waitFor(now - 59_900, now), 1_000);
  assert.equal(waitFor(now + 5_000, now), 1_000, "a clock that was put back");
});

test("a line of the strip waits until the rows of a new page have said what they draw", () => {
  const alert = makeAlert();
  const first = settleStrip(new Map(), [alert], new Set(), 1_000, 1_500);
  assert.equal(first.lookAt, 1_500 + SHOW_AFTER_MS);
  assert.equal(settleStrip(first.after, [alert], new Set(), 1_799, 1_500).after.get(alert.alert_id)?.shown, false);
  assert.equal(settleStrip(first.after, [alert], new Set(), 1_800, 1_500).after.get(alert.alert_id)?.shown, true);
  assert.equal(settleStrip(first.after, [alert], new Set([alert.alert_id]), 1_600, 1_500).lookAt, null, "the row spoke");
});

test("going deaf does not sound like a warning", () => {
  const [deaf, warning] = [makeDeaf(8_000), makePattern(8_000)];
  const crossings = (samples: Float32Array, from: number): number =>
    samples.slice(from, from + 800).reduce((n, each, i, all) => n + Number(i > 0 && Math.sign(each) !== Math.sign(all[i - 1] ?? 0)), 0);
  assert.ok(Math.max(...deaf) > 0.5 && Math.max(...deaf) <= 1);
  assert.ok(crossings(deaf, 200) < crossings(warning, 200) / 2, "it is much lower");
  assert.ok(deaf.slice(8_000 * 0.9).some((each) => each > 0.5) && !warning.slice(8_000 * 0.9).some((each) => each > 0.5));
});

test("an aircraft that cannot be drawn is as urgent as one that is not heard", () => {
  const row = { aircraft: "ZZ-BRU", type: "alder", stand: "S1", presence: "present", feed: "live" } as AircraftRow;
  const placed = { row, doors: new Map([["L1", {}]]), readiness: {}, alerts: [] };
  assert.equal(rankOf(placed), "calm");
  assert.equal(rankOf(placed, new Set(["ZZ-BRU"])), "not heard");
  assert.equal(rankOf({ ...placed, row: { ...row, presence: "away" } }, new Set(["ZZ-BRU"])), "not heard");
});

test("what cannot be drawn does not keep what comes later from being drawn", () => {
  const model = new Model();
  const row = (aircraft: string): AircraftRow => ({ aircraft }) as AircraftRow;
  const end = model.view("ZZ-BAD").subscribe((view) => {
    if (view !== null) throw new Error("cannot be drawn");
  });
  model.take({ name: "aircraft", data: { aircraft: "ZZ-BAD", document: row("ZZ-BAD") } }, 0);
  assert.throws(() => model.publish(), /cannot be drawn/);
  model.take({ name: "aircraft", data: { aircraft: "ZZ-NEW", document: row("ZZ-NEW") } }, 0);
  model.publish();
  assert.deepEqual(model.registrations.value, ["ZZ-BAD", "ZZ-NEW"]);
  end();
});

test("the language asked for last is the one in use, and one that cannot be fetched changes nothing", async () => {
  const answers: ((answer: unknown) => void)[] = [];
  const before = { document: globalThis.document, fetch: globalThis.fetch };
  const head = { querySelector: () => ({ content: '{"en":"/en","de":"/de"}' }), documentElement: { lang: "" } };
  Object.assign(globalThis, { document: head, fetch: () => new Promise((resolve) => answers.push(resolve)) });
  try {
    const german = useLanguage("de");
    await useLanguage("en");
    answers[0]?.({ json: async () => ({}) });
    await german;
    assert.equal(language.value, "en");
    Object.assign(globalThis, { fetch: () => Promise.reject(new TypeError("not reached")) });
    await useLanguage("de");
    assert.equal(language.value, "en");
  } finally {
    Object.assign(globalThis, before);
  }
});
