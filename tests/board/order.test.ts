// The order of the rows, when it is held, who is counted, and the pages of the wall.

import assert from "node:assert/strict";
import { test } from "node:test";
import { cutReasons, groupOpening } from "../../monitor/adapters/web/board/src/apron/answers.ts";
import { countNeeds, nextOrder, orderAircraft, rankOf, type Placed } from "../../monitor/adapters/web/board/src/apron/order.ts";
import { readDoing } from "../../monitor/adapters/web/board/src/apron/doing.ts";
import { isWhole, layPages, leadOf, type WallPage, type WallRow } from "../../monitor/adapters/web/board/src/apron/pages.ts";
import { splitAction } from "../../monitor/adapters/web/board/src/apron/worst.ts";
import type { DoorDocument, Priority, ReadinessDocument, ShortAnswer } from "../../monitor/adapters/web/board/src/wire.ts";

const at = (aircraft: string, stand: string, alerts: readonly [Priority, string][] = [], row: Partial<Placed["row"]> = {}): Placed => ({
  row: { aircraft, type: "alder", stand, presence: "present", feed: "live", ...row },
  doors: new Map([["L1", {}]]),
  readiness: {},
  alerts: alerts.map(([priority, state]) => ({ priority, state, active: true })),
});

test("the most urgent comes first, and then the stands as a person counts them", () => {
  const apron = [
    at("ZZ-OLD", "S1", [], { feed: "left-on-broker" }),
    at("ZZ-AWY", "S2", [], { presence: "away" }),
    at("ZZ-OFF", "S3", [], { presence: "powered_down" }),
    at("ZZ-TEN", "S10"),
    at("ZZ-NIN", "S9"),
    at("ZZ-NOS", ""),
    at("ZZ-ADV", "S11", [["advisory", "unacknowledged"]]),
    at("ZZ-OVR", "S17", [["warning", "rtn_unacknowledged"]]),
    at("ZZ-SIL", "S12", [], { feed: "silent" }),
    at("ZZ-CAK", "S13", [["caution", "acknowledged"]]),
    at("ZZ-CAU", "S14", [["caution", "unacknowledged"]]),
    at("ZZ-WAK", "S15", [["warning", "acknowledged"]]),
    at("ZZ-WAR", "S16", [["caution", "acknowledged"], ["warning", "unacknowledged"]]),
  ];
  const expected = "WAR WAK CAU CAK OVR SIL ADV NIN TEN NOS OFF AWY OLD".split(" ").map((each) => `ZZ-${each}`);
  assert.deepEqual(orderAircraft(apron), expected);
  assert.deepEqual(orderAircraft([...apron].reverse()), expected);
});

test("an alert that was put away urges nobody", () => {
  for (const state of ["shelved", "suppressed", "out_of_service", "normal"]) assert.equal(rankOf(at("A", "S1", [["warning", state]])), "calm");
});

test("an aircraft that is not heard is never among the calm, nor hidden by its presence when it warns", () => {
  for (const feed of ["silent", "lost", "no-broker"]) assert.equal(rankOf(at("A", "S1", [], { feed })), "not heard");
  assert.equal(rankOf(at("A", "S1", [["warning", "unacknowledged"]], { presence: "away" })), "warning nobody has");
});

test("an aircraft of which no door can be judged is never among the calm", () => {
  const judged = at("A", "S1", [["advisory", "unacknowledged"]]);
  assert.equal(rankOf(judged), "advisory");
  for (const type of ["", null]) {
    const untyped = at("A", "S1", [["advisory", "unacknowledged"]], { type });
    assert.equal(rankOf(untyped), "not heard");
    assert.deepEqual(countNeeds([untyped]), { now: 1, dealt: 0, quiet: 0 });
    assert.equal(rankOf(at("A", "S1", [["caution", "unacknowledged"]], { type })), "caution nobody has");
  }
  assert.equal(rankOf({ ...judged, doors: new Map() }), "not heard");
  assert.equal(rankOf({ ...judged, readiness: null }), "not heard");
});

test("what an aircraft does is unknown until it is told, and of what is off nothing is asked", () => {
  const row = { presence: "present", engines_running: null, refuelling: null };
  assert.deepEqual(readDoing(row, { engines: [1, 2] }), { engines: null, refuelling: null });
  assert.deepEqual(readDoing(row, undefined), { engines: null, refuelling: null });
  assert.deepEqual(readDoing(row, { engines: [] }), { engines: [], refuelling: null });
  assert.deepEqual(readDoing({ ...row, engines_running: [2], refuelling: true }, { engines: [1, 2] }), { engines: [2], refuelling: true });
  assert.deepEqual(readDoing({ ...row, engines_running: [], refuelling: false }, { engines: [1, 2] }), { engines: [], refuelling: false });
  for (const presence of ["powered_down", "away"]) assert.deepEqual(readDoing({ ...row, presence }, undefined), { engines: [], refuelling: false });
});

test("an order that is held keeps every row where it is, and those that come stand at the end", () => {
  assert.deepEqual(nextOrder(["A", "B", "C"], ["C", "A", "B"], true), { order: ["A", "B", "C"], waiting: true });
  assert.deepEqual(nextOrder(["A", "B", "C"], ["D", "C", "A"], true), { order: ["A", "B", "C", "D"], waiting: true });
  assert.deepEqual(nextOrder(["A", "B"], ["A"], true), { order: ["A", "B"], waiting: true }, "one that left keeps its place");
  assert.deepEqual(nextOrder(["A", "B"], ["A"], false), { order: ["A"], waiting: false });
  assert.deepEqual(nextOrder(["A", "B"], ["A", "B"], true), { order: ["A", "B"], waiting: false });
  assert.deepEqual(nextOrder(["A", "B", "C"], ["C", "A", "B"], false), { order: ["C", "A", "B"], waiting: false });
});

test("an order that did not change stays the same object, so that nothing is drawn anew", () => {
  const shown = ["A", "B"];
  assert.equal(nextOrder(shown, ["A", "B"], false).order, shown);
});

test("the counts are of aircraft, each once", () => {
  const apron = [
    at("A", "S1", [["warning", "unacknowledged"], ["caution", "unacknowledged"]]),
    at("B", "S2", [["warning", "acknowledged"]]),
    at("C", "S3", [["caution", "acknowledged"]]),
    at("D", "S4", [["advisory", "unacknowledged"]]),
    at("E", "S5", [], { feed: "lost" }),
    at("F", "S6", [], { presence: "away" }),
  ];
  assert.deepEqual(countNeeds(apron), { now: 2, dealt: 2, quiet: 2 });
});

test("an action's call is its first sentence that says what to do", () => {
  assert.deepEqual(splitAction("Stop. Keep clear of the door, inside and outside. Tell the crew."), {
    call: "Stop. Keep clear of the door, inside and outside.",
    rest: "Tell the crew.",
  });
  assert.deepEqual(splitAction("Look at the door itself"), { call: "Look at the door itself", rest: "" });
  assert.deepEqual(splitAction(""), { call: "", rest: "" });
});

const BRIEF = 10;
const ROOM = { gap: 2, line: 8 };
const row = (name: string, height: number, stays = false): WallRow => ({ name, height, brief: BRIEF, stays });

/** How high everything on a page is together. */
function highOf(page: WallPage, rows: readonly WallRow[]): number {
  const heights = page.rows.map((each) => (each.whole ? (rows.find((some) => some.name === each.name)?.height ?? 0) : BRIEF));
  if (page.more.length > 0) heights.push(ROOM.line);
  return heights.reduce((sum, height) => sum + height + ROOM.gap, -ROOM.gap);
}

test("every row stands whole on a page of the wall, no page is too high, and no warning is left out of any", () => {
  for (const height of [100, 180, 300, 1000]) {
    for (const warnings of [0, 1, 2, 5, 9, 14]) {
      const rows = Array.from({ length: 16 }, (_, n) => row(`R${n}`, 40 + 7 * (n % 4), n < warnings));
      const what = `${warnings} warnings on a wall of ${height}`;
      const pages = layPages(rows, { height, ...ROOM });
      for (const page of pages) {
        const names = [...page.rows.map((each) => each.name), ...page.more];
        for (const each of rows.filter((some) => some.stays)) assert.ok(names.includes(each.name), what);
        assert.equal(new Set(names).size, names.length, what);
        assert.ok(highOf(page, rows) <= height, `${highOf(page, rows)}: ${what}`);
      }
      const whole = pages.flatMap((page) => page.rows).filter((each) => each.whole);
      assert.deepEqual(new Set(whole.map((each) => each.name)), new Set(rows.map((each) => each.name)), what);
      const first = new Map(rows.map(({ name }) => [name, pages.findIndex((page) => page.rows.some((each) => each.whole && each.name === name))]));
      const lastWarning = Math.max(-1, ...rows.filter((each) => each.stays).map((each) => first.get(each.name) ?? 0));
      for (const each of rows.filter((some) => !some.stays)) assert.ok((first.get(each.name) ?? -1) >= Math.max(0, lastWarning), `warnings first: ${what}`);
    }
  }
});

test("many warnings make no more pages than whole rows need", () => {
  const rows = Array.from({ length: 14 }, (_, n) => row(`R${n}`, 45, true));
  const pages = layPages(rows, { height: 104, ...ROOM });
  assert.equal(pages.length, 7);
  assert.deepEqual(pages[0], { rows: ["R0", "R1"].map((name) => ({ name, whole: true })), more: rows.slice(2).map((each) => each.name) });
});

test("where there is room for some, the warnings in brief come round", () => {
  const rows = [...Array.from({ length: 5 }, (_, n) => row(`W${n}`, 60, true)), row("A", 70), row("B", 70), row("C", 70)];
  const pages = layPages(rows, { height: 105, ...ROOM });
  const brief = new Set(pages.flatMap((page) => page.rows).filter((each) => !each.whole).map((each) => each.name));
  assert.equal(brief.size, 5);
});

test("a row that is higher than a page has one to itself", () => {
  const pages = layPages([row("A", 40), row("B", 500), row("C", 40)], { height: 100, ...ROOM });
  assert.deepEqual(pages.map((page) => page.rows.map((each) => each.name)), [["A"], ["B"], ["C"]]);
});

test("a page is found again by a row that the one before does not show whole", () => {
  for (const warnings of [0, 1, 14]) {
    const rows = Array.from({ length: 16 }, (_, n) => row(`R${n}`, 40, n < warnings));
    const pages = layPages(rows, { height: 130, ...ROOM });
    assert.ok(pages.length > 2);
    for (const at of pages.keys()) assert.equal(pages.findIndex((page) => isWhole(page, leadOf(pages, at))), at, `${at} of ${warnings}`);
  }
  assert.equal(leadOf([], 0), "");
});

test("rows that fit make one page", () => {
  assert.equal(layPages([row("A", 40, true), row("B", 40), row("C", 40)], { height: 130, ...ROOM }).length, 1);
  assert.deepEqual(layPages([], { height: 130, ...ROOM }), []);
});

const answer = (verdict: ShortAnswer["verdict"], ...reasons: string[]): ShortAnswer => ({ verdict, reasons, notes: [] });
const shut = (kind: string, state = "closed_locked"): DoorDocument => ({
  door: "", kind, state, since: "", slide: "none", quality: "good", presence: "present", blind: false, deaf_to: [], evidence: [],
});

test("doors are grouped by what is said of opening them, without those that stand open or nobody works", () => {
  const documents = new Map([
    ["L1", shut("cabin", "open")],
    ["R1", shut("cabin", "armed")],
    ["R2", shut("cabin", "armed")],
    ["CF", shut("cargo")],
    ["CA", shut("cargo", "unknown")],
    ["H1", shut("hatch")],
  ]);
  const nothing = answer("nothing seen against it");
  const readiness: ReadinessDocument = {
    aircraft: "ZZ-KAT",
    stand: "S12",
    doors: {
      L1: nothing,
      R1: answer("stopped by", "slide", "drop"),
      R2: answer("stopped by", "slide", "wind", "drop"),
      CF: nothing,
      CA: answer("cannot tell", "not heard"),
      H1: nothing,
    },
    leave: nothing,
    board: nothing,
    refuel: nothing,
    exits: { usable: [], unknown: [], seats_usable: 0, short: null },
    pressure: { below_limit: null, trend: null },
  };
  assert.deepEqual(groupOpening(readiness, undefined, documents), [
    { verdict: "stopped by", doors: ["R1", "R2"], reasons: ["slide", "drop"] },
    { verdict: "nothing seen against it", doors: ["CF"], reasons: [] },
    { verdict: "cannot tell", doors: ["CA"], reasons: ["not heard"] },
  ]);
});

test("reasons are cut with their number", () => {
  assert.deepEqual(cutReasons(["a", "b", "c", "d"]), { shown: ["a", "b"], more: 2 });
});
