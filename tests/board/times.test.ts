// Times as people read them: in the site's zone, over a change of the clocks, and never negative.

import assert from "node:assert/strict";
import { test } from "node:test";
import { calendarDay, clockMinute, clockTime, duration } from "../../monitor/adapters/web/board/src/times.ts";

const at = (text: string): number => Date.parse(text);

test("a moment is shown in the zone that was asked for", () => {
  const noon = at("2026-06-01T12:34:56.789Z");
  assert.equal(clockTime(noon, "UTC"), "12:34:56");
  assert.equal(clockMinute(noon, "UTC"), "12:34");
  assert.equal(clockTime(noon, "Asia/Kolkata"), "18:04:56");
  assert.equal(clockMinute(noon, "Asia/Kolkata"), "18:04");
});

test("midnight is 00 and not 24", () => {
  assert.equal(clockTime(at("2026-06-01T00:00:00Z"), "UTC"), "00:00:00");
});

test("the clocks go forward and back with the zone", () => {
  // Directive 2000/84/EC: the last Sunday of March and of October, at 01:00 UTC.
  assert.equal(clockTime(at("2026-03-29T00:59:59Z"), "Europe/Berlin"), "01:59:59");
  assert.equal(clockTime(at("2026-03-29T01:00:00Z"), "Europe/Berlin"), "03:00:00");
  assert.equal(clockTime(at("2026-10-25T00:59:59Z"), "Europe/Berlin"), "02:59:59");
  assert.equal(clockTime(at("2026-10-25T01:00:00Z"), "Europe/Berlin"), "02:00:00");
});

test("a day is the zone's day", () => {
  const late = at("2026-12-31T23:30:00Z");
  assert.equal(calendarDay(late, "UTC"), "2026-12-31");
  assert.equal(calendarDay(late, "Europe/Berlin"), "2027-01-01");
});

test("a duration is as exact as somebody acts on", () => {
  const told: [number, string][] = [
    [-5_000, "0.0 s"],
    [0, "0.0 s"],
    [430, "0.4 s"],
    [2_000, "2 s"],
    [38_900, "38 s"],
    [119_999, "119 s"],
    [120_000, "2 min 00 s"],
    [245_000, "4 min 05 s"],
    [3_599_999, "59 min 59 s"],
    [3_600_000, "1 h 00 min"],
    [7_620_000, "2 h 07 min"],
    [90_000_000, "25 h 00 min"],
  ];
  for (const [ms, text] of told) assert.equal(duration(ms), text, `${ms} ms`);
});

test("what is just under a step does not read as more than it is", () => {
  assert.equal(duration(1_999), "2.0 s");
  assert.equal(duration(2_999), "2 s");
});
