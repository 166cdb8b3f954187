// The order of the rows, when it is held, who is counted, and the pages of the wall.

import assert from "node:assert/strict";
import { test } from "node:test";
import { cutReasons, groupOpening } from "../../monitor/adapters/web/board/src/apron/answers.ts";
import { countNeeds, nextOrder, orderAircraft, rankOf, type Placed } from "../../monitor/adapters/web/board/src/apron/order.ts";
import { layPages } from "../../monitor/adapters/web/board/src/apron/pages.ts";
import { splitAction } from "../../monitor/adapters/web/board/src/apron/worst.ts";
import type { DoorDocument, Priority, ReadinessDocument, ShortAnswer } from "../../monitor/adapters/web/board/src/wire.ts";

const at = (aircraft: string, stand: string, alerts: readonly [Priority, string][] = [], row: Partial<Placed["row"]> = {}): Placed => ({
  row: { aircraft, stand, presence: "present", feed: "live", ...row },
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

test("an order that is held keeps every row where it is, and those that come stand at the end", () => {
  assert.deepEqual(nextOrder(["A", "B", "C"], ["C", "A", "B"], true), { order: ["A", "B", "C"], waiting: true });
  assert.deepEqual(nextOrder(["A", "B", "C"], ["D", "C", "A"], true), { order: ["A", "C", "D"], waiting: true });
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

const row = (name: string, height: number, stays = false): { name: string; height: number; brief: number; stays: boolean } => ({
  name,
  height,
  brief: 10,
  stays,
});

test("a warning stands on every page of the wall, and every row stands whole on one", () => {
  for (const height of [100, 180, 300, 1000]) {
    for (let warnings = 0; warnings <= 5; warnings += 1) {
      const rows = Array.from({ length: 9 }, (_, n) => row(`R${n}`, 40 + 7 * (n % 4), n < warnings));
      const pages = layPages(rows, height, 2);
      for (const page of pages) {
        const names = page.map((each) => each.name);
        for (const each of rows.filter((some) => some.stays)) assert.ok(names.includes(each.name));
        assert.equal(new Set(names).size, names.length);
      }
      const whole = new Set(pages.flat().filter((each) => each.whole).map((each) => each.name));
      assert.equal(whole.size, rows.length, `${warnings} warnings on a wall of ${height}`);
    }
  }
});

test("rows that fit make one page", () => {
  assert.equal(layPages([row("A", 40, true), row("B", 40), row("C", 40)], 130, 2).length, 1);
  assert.deepEqual(layPages([], 130, 2), []);
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
