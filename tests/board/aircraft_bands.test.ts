// What an aircraft's timeline draws of its record: states clipped and merged, gaps left open.

import assert from "node:assert/strict";
import { test } from "node:test";
import {
  bandAt,
  followDoors,
  lineCount,
  listBands,
  markOf,
  overSince,
  stackAlerts,
  type Window,
} from "../../monitor/adapters/web/board/src/aircraft/bands.ts";
import type { TimelineAlert, TimelineDocument } from "../../monitor/adapters/web/board/src/aircraft/documents.ts";

const START = Date.parse("2026-03-01T10:00:00Z");
const at = (minute: number): number => START + minute * 60_000;
const iso = (minute: number): string => new Date(at(minute)).toISOString();
const WINDOW: Window = { since: at(0), until: at(30), proved: at(30) };

const record = (parts: Partial<TimelineDocument>): TimelineDocument => ({
  aircraft: "ZZ-KAT",
  since: iso(0),
  until: iso(30),
  recorded_from: iso(-60),
  doors: {},
  alerts: [],
  monitor_not_running: [],
  ...parts,
});

const entry = (minute: number, state: string, slide = "disengaged") => ({ at: iso(minute), state, slide });

const alert = (id: string, raised: number, ended: number | null, door = "L1"): TimelineAlert => ({
  alert_id: id,
  code: "open-unguarded",
  door,
  priority: "warning",
  raised_at: iso(raised),
  ended_at: ended === null ? null : iso(ended),
  text: "L1 open over a drop.",
  changes: [],
});

/** Bands as short words: kind or state, from, to in minutes. */
const short = (timeline: TimelineDocument, door = "L1", window = WINDOW): string[] =>
  listBands(timeline, door, window).map(
    (band) =>
      `${band.kind === "state" ? band.state : band.kind} ${(band.from - START) / 60_000}-${(band.to - START) / 60_000}`,
  );

test("a state that held before the window is clipped and keeps its own since", () => {
  const timeline = record({ doors: { L1: [entry(-20, "armed", "engaged"), entry(10, "ajar")] } });
  assert.deepEqual(short(timeline), ["armed 0-10", "ajar 10-30"]);
  assert.equal(listBands(timeline, "L1", WINDOW)[0]?.since, at(-20));
});

test("entries of one state and slide are one band, and a state keeps its since across a change of the slide", () => {
  const timeline = record({
    doors: { L1: [entry(2, "open"), entry(5, "open"), entry(9, "open", "engaged"), entry(12, "ajar", "engaged")] },
  });
  assert.deepEqual(short(timeline), ["not-recorded 0-2", "open 2-9", "open 9-12", "ajar 12-30"]);
  assert.equal(listBands(timeline, "L1", WINDOW)[2]?.since, at(2));
});

test("what was not recorded is a gap and never a state", () => {
  assert.deepEqual(short(record({ doors: { L1: [entry(7, "open")] } })), ["not-recorded 0-7", "open 7-30"]);
  assert.deepEqual(short(record({ recorded_from: null })), ["not-recorded 0-30"]);
});

test("a state is not drawn across the time when the monitor did not run", () => {
  const timeline = record({
    doors: { L1: [entry(-5, "open"), entry(12, "ajar"), entry(20, "unknown")] },
    monitor_not_running: [
      { since: iso(13), until: iso(14) },
      { since: iso(4), until: iso(8) },
      { since: iso(11), until: iso(13) },
      { since: iso(28), until: iso(40) },
    ],
  });
  assert.deepEqual(short(timeline), [
    "open 0-4",
    "not-running 4-8",
    "open 8-11",
    "not-running 11-14",
    "ajar 14-20",
    "unknown 20-28",
    "not-running 28-30",
  ]);
});

test("after what is proved nothing is told", () => {
  const timeline = record({ doors: { L1: [entry(-5, "open")] } });
  assert.deepEqual(short(timeline, "L1", { ...WINDOW, proved: at(25) }), ["open 0-25", "not-recorded 25-30"]);
  assert.deepEqual(short(timeline, "L1", { ...WINDOW, proved: at(-1) }), ["not-recorded 0-30"]);
});

test("bands leave no hole and do not overlap", () => {
  const timeline = record({
    doors: { L1: [entry(3, "open"), entry(3, "ajar"), entry(17, "unknown"), entry(44, "open")] },
    monitor_not_running: [{ since: iso(2), until: iso(5) }],
  });
  const bands = listBands(timeline, "L1", { ...WINDOW, proved: at(29) });
  assert.equal(bands[0]?.from, WINDOW.since);
  assert.equal(bands.at(-1)?.to, WINDOW.until);
  bands.slice(1).forEach((band, n) => assert.equal(band.from, bands[n]?.to));
  for (const band of bands) assert.ok(band.to > band.from);
});

test("the band at a moment is the one that begins there", () => {
  const bands = listBands(record({ doors: { L1: [entry(0, "armed"), entry(10, "ajar")] } }), "L1", WINDOW);
  assert.equal(bandAt(bands, at(10))?.state, "ajar");
  assert.equal(bandAt(bands, at(9.99))?.state, "armed");
  assert.equal(bandAt(bands, at(31)), null);
});

test("the stream's doors go on where the record ends", () => {
  const timeline = record({ doors: { L1: [entry(0, "armed")], R1: [entry(4, "open")] } });
  const followed = followDoors(timeline, [
    { door: "L1", state: "armed_unlocked", slide: "engaged", since: iso(29) },
    { door: "R1", state: "ajar", slide: "disengaged", since: iso(3) },
    { door: "L2", state: "open", slide: "disengaged", since: iso(28) },
  ]);
  assert.deepEqual(short(followed), ["armed 0-29", "armed_unlocked 29-30"]);
  assert.deepEqual(short(followed, "R1"), ["not-recorded 0-4", "open 4-30"]);
  assert.deepEqual(short(followed, "L2"), ["not-recorded 0-28", "open 28-30"]);
  assert.deepEqual(short(timeline), ["armed 0-30"]);
  assert.equal(followDoors(timeline, [{ door: "L1", state: "armed", slide: "engaged", since: iso(29) }]), timeline);
});

test("alerts that would hide one another stand on lines of their own", () => {
  const alerts = [
    alert("c", 21, null),
    alert("a", 1, 10),
    alert("b", 5, 6),
    alert("x", 5, 6, "R1"),
    alert("old", -9, -4),
  ];
  const spans = stackAlerts(alerts, "L1", WINDOW, 60_000);
  assert.deepEqual(
    spans.map((span) => [span.alert.alert_id, span.line, (span.to - START) / 60_000]),
    [
      ["a", 0, 10],
      ["b", 1, 6],
      ["c", 0, 30],
    ],
  );
  assert.equal(lineCount(spans), 2);
  assert.equal(lineCount([]), 0);
});

test("an alert from before the window begins at its edge, and one that goes on ends at what is proved", () => {
  const [span] = stackAlerts([alert("a", -3, null)], "L1", { ...WINDOW, proved: at(20) }, 0);
  assert.deepEqual([span?.from, span?.to], [at(0), at(20)]);
});

test("changes of an alert have marks with or without the event's prefix", () => {
  assert.equal(markOf("sillwatch.alert.raised"), "raised");
  assert.equal(markOf("acknowledged"), "acknowledged");
  assert.equal(markOf("reset"), "cleared");
  assert.equal(markOf("shelved"), "other");
});

test("an alert whose condition is over and that still stands is told apart from one that holds", () => {
  const change = (minute: number, type: string) => ({ at: iso(minute), type, priority: "warning" as const, state: "" });
  const raised = { ...alert("a", 1, null), changes: [change(1, "raised")] };
  assert.equal(overSince(raised, at(1), at(30)), at(30));
  const cleared = { ...raised, changes: [change(1, "raised"), change(5, "acknowledged"), change(9, "cleared")] };
  assert.equal(overSince(cleared, at(1), at(30)), at(9));
  assert.equal(overSince(cleared, at(12), at(30)), at(12));
  assert.equal(overSince(cleared, at(1), at(8)), at(8));
  const again = { ...raised, changes: [...cleared.changes, change(11, "reraised")] };
  assert.equal(overSince(again, at(1), at(30)), at(30));
});
