// The pure parts of the aircraft's page beside its bands: axis, curves, forecast, reports, what was watched.

import assert from "node:assert/strict";
import { test } from "node:test";
import { listTicks, shift, SPANS, zoom } from "../../monitor/adapters/web/board/src/aircraft/axis.ts";
import { EMPTY, grow, readCurve, sumUp } from "../../monitor/adapters/web/board/src/aircraft/curve.ts";
import { foresee } from "../../monitor/adapters/web/board/src/aircraft/forecast.ts";
import { choicesOf, listReportable, readChoice } from "../../monitor/adapters/web/board/src/aircraft/reportable.ts";
import { keepSame } from "../../monitor/adapters/web/board/src/aircraft/keep.ts";
import { groupWatched } from "../../monitor/adapters/web/board/src/aircraft/watched.ts";
import type { DoorType } from "../../monitor/adapters/web/board/src/wire.ts";

const MINUTE = 60_000;
const START = Date.parse("2026-03-01T10:00:00Z");

test("ticks stand at round times inside the window, and never more than there is room for", () => {
  for (const span of SPANS) {
    for (const most of [3, 6, 12]) {
      const ticks = listTicks(START + 1234, START + 1234 + span, most);
      assert.ok(ticks.length >= 1 && ticks.length <= Math.max(most, span / (120 * MINUTE)) + 1, `${span} ${most}`);
      for (const tick of ticks) assert.ok(tick % 30_000 === 0 && tick >= START + 1234 && tick <= START + 1234 + span);
    }
  }
  assert.deepEqual(
    listTicks(START, START + 30 * MINUTE, 6).map((tick) => (tick - START) / MINUTE),
    [0, 5, 10, 15, 20, 25, 30],
  );
});

test("looking earlier leaves the present, looking later comes back to it", () => {
  const now = START;
  const live = { until: null, span: 30 * MINUTE };
  const earlier = shift(live, -1, now);
  assert.deepEqual(earlier, { until: now - 15 * MINUTE, span: 30 * MINUTE });
  assert.deepEqual(shift(earlier, 1, now), live);
});

test("another span keeps the middle, and never shows what is still to come", () => {
  const now = START;
  const past = { until: now - 60 * MINUTE, span: 30 * MINUTE };
  assert.deepEqual(zoom(past, 5 * MINUTE, now), { until: now - 72.5 * MINUTE, span: 5 * MINUTE });
  assert.deepEqual(zoom(past, 480 * MINUTE, now), { until: null, span: 480 * MINUTE });
  assert.deepEqual(zoom({ until: null, span: MINUTE }, 5 * MINUTE, now), { until: null, span: 5 * MINUTE });
});

test("a curve grows by what is newer, keeps its gaps and forgets what is too old", () => {
  let curve = readCurve([
    { at: new Date(START).toISOString(), value: 3 },
    { at: new Date(START + 1000).toISOString(), value: null },
  ]);
  assert.equal(grow(curve, START + 1000, 9, 0), curve);
  assert.equal(grow(curve, START + 2000, null, 0), curve);
  curve = grow(curve, START + 3000, 1, START + 500);
  assert.deepEqual(curve, { t: [START + 1000, START + 3000], value: [null, 1] });
  assert.equal(grow(EMPTY, START, null, 0), EMPTY);
  assert.deepEqual(grow({ t: [START], value: [2] }, START + 10, 4, START + 10), { t: [START + 10], value: [4] });
});

test("a curve is summed up by its known values alone", () => {
  assert.deepEqual(sumUp({ t: [1, 2, 3], value: [4, null, 2] }), { low: 2, high: 4, last: 2 });
  assert.deepEqual(sumUp({ t: [1, 2], value: [4, null] }), { low: 4, high: 4, last: 4 });
  assert.equal(sumUp({ t: [1], value: [null] }), null);
});

const falling = { now_hpa: 10, limit_hpa: 2.5, below_limit_in_s: 40, below_limit_low_s: 30, below_limit_high_s: 60 };

test("the foreseen curve starts at the present pressure and meets the limit when the service says", () => {
  const forecast = foresee(falling);
  assert.ok(forecast !== null);
  assert.deepEqual(
    [forecast.about[0], forecast.low[0], forecast.high[0]],
    [10, 10, 10].map((each) => Math.sqrt(each) ** 2),
  );
  assert.equal(forecast.t.at(-1), 60);
  const n = forecast.t.indexOf(30);
  assert.ok(Math.abs((forecast.low[n] ?? 0) - 2.5) < 1e-9);
  assert.ok(Math.abs((forecast.high.at(-1) ?? 0) - 2.5) < 1e-9);
  forecast.t.forEach((_, each) => {
    const [low, about, high] = [forecast.low[each] ?? NaN, forecast.about[each] ?? NaN, forecast.high[each] ?? NaN];
    assert.ok(low <= about && about <= high);
  });
});

test("a cabin below outside's pressure is foreseen from below", () => {
  const forecast = foresee({ ...falling, now_hpa: -10 });
  assert.ok(forecast?.about.every((each) => each <= 0));
});

test("where the service foresees nothing, nothing is foreseen", () => {
  assert.equal(foresee({ ...falling, now_hpa: null }), null);
  assert.equal(foresee({ ...falling, below_limit_in_s: null }), null);
  assert.equal(foresee({ ...falling, now_hpa: 2 }), null);
});

const door: DoorType = {
  door: "CF",
  kind: "cargo",
  side: "right",
  station: 5,
  half: "fore",
  sill_m: 2.5,
  slide: false,
  exit: null,
  wind_moved_kt: 35,
  wind_held_kt: 50,
  access: [],
  signals: ["closed", "selector", "travel", "actuator_bar"],
};

test("a person is asked what an eye can answer at that door", () => {
  assert.deepEqual(listReportable(door, []), ["lock_indicator", "armed_light", "pressure_light", "closed", "selector"]);
  assert.ok(listReportable(door, ["barrier"]).includes("barrier"));
  assert.ok(listReportable({ ...door, slide: true }, []).includes("ground_clear"));
  assert.ok(!listReportable(null, []).includes("travel"));
});

test("an answer goes out as the service takes it", () => {
  assert.deepEqual(choicesOf("lock_indicator"), ["locked", "unlocked"]);
  assert.equal(readChoice("lock_indicator", "locked"), "locked");
  assert.equal(readChoice("closed", "true"), true);
  assert.equal(readChoice("closed", "false"), false);
});

const watch = (watched: number, deaf: number, reasons: Record<string, number> = {}) => ({
  watched_minutes: watched,
  deaf_minutes: deaf,
  not_known_minutes: 30 - watched - deaf,
  reasons,
});

test("hazards that were watched alike are told once, the least watched first", () => {
  const [place] = groupWatched({
    aircraft: "ZZ-KAT",
    since: "",
    until: "",
    minutes: 30,
    monitor_not_running: [],
    doors: {
      L1: {
        a: watch(30, 0),
        b: watch(0, 30, { "not fitted": 30 }),
        c: watch(29.99, 0),
        d: watch(0, 30, { stale: 30 }),
      },
    },
  });
  assert.deepEqual(
    place?.groups.map((group) => group.codes),
    [["b"], ["d"], ["a", "c"]],
  );
});

test("what did not change stays the very same object, and an age alone is no change", () => {
  const before = { doors: { L1: { state: "open", age_s: 1 }, R1: { state: "ajar" } }, list: [1, { a: null }] };
  const same = keepSame(before, {
    doors: { L1: { state: "open", age_s: 2 }, R1: { state: "ajar" } },
    list: [1, { a: null }],
  });
  assert.equal(same, before);
  const other = keepSame(before, {
    doors: { L1: { state: "ajar", age_s: 2 }, R1: { state: "ajar" } },
    list: [1, { a: 0 as unknown as null }],
  });
  assert.equal(other.doors.R1, before.doors.R1);
  assert.deepEqual(other.doors.L1, { state: "ajar", age_s: 2 });
  assert.deepEqual(other.list, [1, { a: 0 }]);
});

test("a key that went or an item that was added is a change", () => {
  const before = { a: 1, b: [1] } as Record<string, unknown>;
  assert.deepEqual(keepSame(before, { a: 1 }), { a: 1 });
  assert.deepEqual(keepSame(before, { a: 1, b: [1, 2] }), { a: 1, b: [1, 2] });
  assert.deepEqual(keepSame(before, { a: 1, b: { 0: 1 } }), { a: 1, b: { 0: 1 } });
  assert.equal(keepSame<unknown>(before, null), null);
});
