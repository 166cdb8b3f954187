// The timeline's lanes and their words across a time in which the page heard nothing, and addresses that reach nothing else.

import assert from "node:assert/strict";
import { test } from "node:test";
import { cutOff, EMPTY, fillIn } from "../../monitor/adapters/web/board/src/aircraft/curve.ts";
import type { TimelineDocument } from "../../monitor/adapters/web/board/src/aircraft/documents.ts";
import { laneWord, sayMoment } from "../../monitor/adapters/web/board/src/aircraft/lane_words.ts";
import { makeLanes, WHOLE, windowOf } from "../../monitor/adapters/web/board/src/aircraft/lanes.ts";
import { knownDoor, pathOf } from "../../monitor/adapters/web/board/src/aircraft/paths.ts";

const START = Date.parse("2026-03-01T10:00:00Z");
const MINUTE = 60_000;
const at = (minute: number): number => START + minute * MINUTE;
const iso = (minute: number): string => new Date(at(minute)).toISOString();
const PRESENT = { until: null, span: 30 * MINUTE };

const TIMELINE: TimelineDocument = {
  aircraft: "ZZ-KAT",
  since: iso(0),
  until: iso(20),
  recorded_from: iso(-60),
  doors: { L1: [{ at: iso(0), state: "armed", slide: "engaged" }] },
  alerts: [
    {
      alert_id: "a",
      code: "open-unguarded",
      door: "L1",
      priority: "warning",
      raised_at: iso(5),
      ended_at: null,
      text: "L1 open over a drop.",
      changes: [],
    },
  ],
  monitor_not_running: [],
};

test("following the present, the record is vouched for until the first moment that may have been missed", () => {
  assert.deepEqual(windowOf(PRESENT, at(30), TIMELINE, [null, null]), { since: at(0), until: at(30), proved: at(30) });
  assert.equal(windowOf(PRESENT, at(30), TIMELINE, [at(25), null]).proved, at(25));
  assert.equal(windowOf(PRESENT, at(30), TIMELINE, [at(25), at(28)]).proved, at(25));
  assert.equal(windowOf(PRESENT, at(30), TIMELINE, [null, at(31)]).proved, at(30));
});

test("the past is vouched for as far as it was asked, whatever the page missed since", () => {
  const past = { until: at(20), span: 10 * MINUTE };
  assert.deepEqual(windowOf(past, at(20), TIMELINE, [at(12)]), { since: at(10), until: at(20), proved: at(20) });
  assert.equal(windowOf(past, at(20), null, []).proved, 0);
});

test("no state and no alert goes on across what may have been missed", () => {
  const lanes = makeLanes(TIMELINE, ["L1"], windowOf(PRESENT, at(30), TIMELINE, [at(20)]), 0);
  assert.deepEqual(
    lanes[0]?.bands.map((band) => [band.kind, band.from, band.to]),
    [
      ["state", at(0), at(20)],
      ["not-recorded", at(20), at(30)],
    ],
  );
  assert.equal(lanes[0]?.spans[0]?.to, at(20));
  const said = (minute: number): string => sayMoment(lanes[0]!, at(minute), "UTC");
  assert.equal(said(10), "L1, 10:10:00 (10:10:00 UTC): armed since 10:00:00, 10 min 00 s. Warning: L1 open over a drop.");
  assert.equal(said(30), "L1, 10:30:00 (10:30:00 UTC): not recorded");
});

test("the aircraft's own lane is there for its alerts, and says nothing of a state", () => {
  const own = { ...TIMELINE, alerts: TIMELINE.alerts.map((alert) => ({ ...alert, door: WHOLE, text: "No power." })) };
  const down = { ...own, monitor_not_running: [{ since: iso(8), until: iso(9) }] };
  const [lane, ...others] = makeLanes(down, ["L1"], windowOf(PRESENT, at(30), down, []), 0);
  assert.deepEqual([lane?.name, ...others.map((each) => each.name)], [WHOLE, "L1"]);
  assert.equal(laneWord(WHOLE), "aircraft");
  assert.equal(sayMoment(lane!, at(7), "UTC"), "aircraft, 10:07:00 (10:07:00 UTC): Warning: No power.");
  assert.match(sayMoment(lane!, at(8.5), "UTC"), /monitor not running Warning: No power\.$/);
  assert.deepEqual(makeLanes(TIMELINE, ["L1"], windowOf(PRESENT, at(30), TIMELINE, []), 0).map((each) => each.name), ["L1"]);
  assert.deepEqual(makeLanes(null, ["L1"], windowOf(PRESENT, at(30), null, []), 0), [{ name: "L1", bands: [], spans: [] }]);
});

test("a curve that is cut off ends after its last value, once", () => {
  const cut = cutOff({ t: [1, 5], value: [3, 4] });
  assert.deepEqual(cut, { t: [1, 5, 6], value: [3, 4, null] });
  assert.equal(cutOff(cut), cut);
  assert.equal(cutOff(EMPTY), EMPTY);
});

test("what the service kept fills a gap, and leaves what it does not reach as it was", () => {
  const live = { t: [10, 20, 21, 50], value: [1, 2, null, 5] };
  assert.deepEqual(fillIn(live, { t: [15, 20, 30, 40], value: [1.5, 2, 3, 4] }), {
    t: [10, 15, 20, 30, 40, 50],
    value: [1, 1.5, 2, 3, 4, 5],
  });
  const anew = { t: [40], value: [4] };
  assert.deepEqual(fillIn(live, anew), { t: [10, 20, 21, 40, 50], value: [1, 2, null, 4, 5] }, "the gap stays a gap");
  assert.equal(fillIn(live, EMPTY), live);
  assert.deepEqual(fillIn(EMPTY, anew), anew);
});

test("an address has as many parts as it was given, whatever is in them", () => {
  assert.equal(pathOf("ZZ-KAT"), "/api/v1/aircraft/ZZ-KAT");
  const door = "L1/../../../../alerts/abc/shelve?x=#";
  const path = pathOf("ZZ-KAT", "doors", door, "report");
  const address = new URL(path, "http://board.test");
  assert.equal(address.pathname + address.search + address.hash, path);
  assert.deepEqual(path.split("/").slice(4).map(decodeURIComponent), ["ZZ-KAT", "doors", door, "report"]);
});

test("a door that the aircraft has not got is none", () => {
  assert.equal(knownDoor("L1", ["CF", "L1"]), "L1");
  for (const named of ["..", "L1/..", "l1", "", "constructor", null]) assert.equal(knownDoor(named, ["CF", "L1"]), null);
  assert.equal(knownDoor("L1", []), null);
});
