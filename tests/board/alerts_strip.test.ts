import assert from "node:assert/strict";
import { test } from "node:test";
import {
  countLines,
  HIDE_AFTER_MS,
  pickLines,
  settleStrip,
  SHOW_AFTER_MS,
  type StandingIn,
} from "../../monitor/adapters/web/board/src/alerts/standing_in.ts";
import { makeAlert } from "./alerts_made.ts";

const NONE: ReadonlySet<string> = new Set();
const EMPTY: StandingIn = new Map();

test("a warning that no row shows gets its line after a moment", () => {
  const alert = makeAlert();
  const first = settleStrip(EMPTY, [alert], NONE, 1_000);
  assert.deepEqual(pickLines([alert], first.after, null, 3), { lines: [], more: 0 });
  assert.equal(first.lookAt, 1_000 + SHOW_AFTER_MS);
  const early = settleStrip(first.after, [alert], NONE, 1_000 + SHOW_AFTER_MS - 1);
  assert.equal(early.lookAt, first.lookAt, "looking early puts nothing off");
  const due = settleStrip(early.after, [alert], NONE, 1_000 + SHOW_AFTER_MS);
  assert.deepEqual(pickLines([alert], due.after, null, 3).lines, [alert]);
  assert.equal(due.lookAt, null);
});

test("one whose row is on the screen never gets a line", () => {
  const alert = makeAlert();
  let standing = EMPTY;
  for (let now = 0; now < 5_000; now += 100) {
    const settled = settleStrip(standing, [alert], new Set([alert.alert_id]), now);
    standing = settled.after;
    assert.deepEqual(pickLines([alert], standing, null, 3).lines, []);
    assert.equal(settled.lookAt, null);
  }
});

test("rows that pass by while scrolling do not make the line flicker", () => {
  const alert = makeAlert();
  const drawn = new Set([alert.alert_id]);
  let standing = settleStrip(EMPTY, [alert], NONE, 0).after;
  standing = settleStrip(standing, [alert], NONE, SHOW_AFTER_MS).after;
  for (let now = 1_000; now < 3_000; now += 250) {
    standing = settleStrip(standing, [alert], drawn, now).after;
    standing = settleStrip(standing, [alert], NONE, now + 125).after;
    assert.equal(pickLines([alert], standing, null, 3).lines.length, 1, `at ${now}`);
  }
  standing = settleStrip(standing, [alert], drawn, 4_000).after;
  standing = settleStrip(standing, [alert], drawn, 4_000 + HIDE_AFTER_MS).after;
  assert.deepEqual(pickLines([alert], standing, null, 3).lines, []);
});

test("what somebody took has no line, at once", () => {
  const alert = makeAlert();
  const shown = new Map([[alert.alert_id, { shown: true, changing: null }]]);
  const settled = settleStrip(shown, [], NONE, 0);
  assert.equal(settled.after.size, 0);
  assert.deepEqual(pickLines([], settled.after, null, 3), { lines: [], more: 0 });
});

test("no more than three lines, the newest warnings, drills last, and the rest is counted", () => {
  const alerts = [0, 1, 2, 3, 4].map((minute) => makeAlert({ door: `L${minute}`, raised_at: `2026-03-01T10:0${minute}:00.000Z` }));
  const drill = makeAlert({ door: "D", drill: true, raised_at: "2026-03-01T10:09:00.000Z" });
  const all = [...alerts, drill];
  const standing = new Map(all.map(({ alert_id }) => [alert_id, { shown: true, changing: null }]));
  const { lines, more } = pickLines(all, standing, null, 3);
  assert.deepEqual(lines.map((each) => each.door), ["L4", "L3", "L2"]);
  assert.equal(more, 3);
});

test("a line under somebody's finger stays, whatever else comes", () => {
  const alerts = [0, 1, 2, 3].map((minute) => makeAlert({ door: `L${minute}`, raised_at: `2026-03-01T10:0${minute}:00.000Z` }));
  const standing = new Map(alerts.slice(1).map(({ alert_id }) => [alert_id, { shown: true, changing: null }]));
  const { lines, more } = pickLines(alerts, standing, alerts[0]?.alert_id ?? null, 3);
  assert.deepEqual(lines.map((each) => each.door), ["L3", "L2", "L0"]);
  assert.equal(more, 1);
});

test("a low window has room for fewer lines, and always for one", () => {
  assert.deepEqual([900, 660, 640, 400, 399, 256].map(countLines), [3, 3, 2, 2, 1, 1]);
  const alerts = [makeAlert({ door: "L1" }), makeAlert({ door: "L2" })];
  const standing = new Map(alerts.map(({ alert_id }) => [alert_id, { shown: true, changing: null }]));
  assert.equal(pickLines(alerts, standing, null, 1).more, 1);
  assert.deepEqual(pickLines(alerts, standing, alerts[1]?.alert_id ?? null, 1).lines, [alerts[1]]);
});
