// A debrief: what its address asks for, what its picture draws, and in which words its times stand.

import assert from "node:assert/strict";
import { test } from "node:test";
import {
  NOTHING_ASKED,
  pageAddress,
  questionOf,
  readAsked,
  type Asked,
} from "../../monitor/adapters/web/board/src/debrief/address.ts";
import type { DebriefDocument } from "../../monitor/adapters/web/board/src/debrief/documents.ts";
import { isSimulated, listAnswers, listBands, makePicture, sumAnswers, windowOf } from "../../monitor/adapters/web/board/src/debrief/picture.ts";
import { groupDeaf, groupUnwatched } from "../../monitor/adapters/web/board/src/debrief/unwatched.ts";
import { knownZone, offsetAt, offsetsOf, seconds } from "../../monitor/adapters/web/board/src/debrief/when.ts";
import { readRoute } from "../../monitor/adapters/web/board/src/route.ts";
import made from "./debrief_made.json" with { type: "json" };

const DOCUMENT = made.debrief as unknown as DebriefDocument;
const HOUR = 3_600_000;

test("an address says what a debrief is of, and leads back to itself", () => {
  const asked: Asked[] = [
    { ...NOTHING_ASKED, kind: "drill", drill: "277b", beside: "377c" },
    { ...NOTHING_ASKED, kind: "aircraft", aircraft: "ZZ-KAT", door: "L1", since: "2h" },
    { ...NOTHING_ASKED, kind: "stand", stand: "S12", since: "2026-03-01T10:15", until: "2026-03-01T11:00", zone: "Etc/GMT-1" },
    { ...NOTHING_ASKED, kind: "site" },
    { ...NOTHING_ASKED, kind: "site", since: "24h" },
  ];
  for (const each of asked) assert.deepEqual(readAsked(pageAddress(each).replace("/debrief?", "")), each);
  assert.equal(readAsked(""), null);
  assert.deepEqual(readRoute(new URL("/debrief?drill=277b", "http://board.test")), { page: "debrief", query: "drill=277b" });
  assert.deepEqual(readRoute(new URL("/handover/", "http://board.test")), { page: "handover" });
});

test("what nobody can have meant is left out of an address", () => {
  assert.equal(readAsked("since=yesterday"), null);
  assert.equal(readAsked("aircraft=zz-kat&since=1<2")?.since, "");
  assert.equal(readAsked("aircraft=zz-kat")?.aircraft, "ZZ-KAT");
  assert.equal(readAsked(`stand=${"x".repeat(500)}`)?.stand.length, 80);
});

test("the service is asked in moments with an offset, and never for what belongs to another kind", () => {
  const stand: Asked = { ...NOTHING_ASKED, kind: "stand", stand: "S 1&2", aircraft: "ZZ-KAT", since: "2026-03-01T10:15", zone: "Etc/GMT-1" };
  assert.equal(questionOf(stand, "Etc/GMT-1"), "/api/v1/debrief?stand=S+1%262&since=2026-03-01T09%3A15%3A00.000Z&zone=Etc%2FGMT-1");
  const drill: Asked = { ...NOTHING_ASKED, kind: "drill", drill: "277b", since: "2h" };
  assert.equal(questionOf(drill, "UTC", "pdf"), "/api/v1/debrief?drill=277b&zone=UTC&format=pdf");
  assert.equal(questionOf({ ...drill, beside: "377c" }, "UTC"), "/api/v1/debrief/compare?drill=277b&with=377c&zone=UTC");
});

test("the picture draws what stirs and names what does not", () => {
  const [group, ...others] = makePicture(DOCUMENT, 1_000);
  assert.equal(others.length, 0);
  assert.equal(group?.aircraft, "ZZ-KAT");
  assert.deepEqual(group?.still, [{ name: "H1", state: "closed_locked" }]);
  assert.ok(group.lanes.every((lane) => lane.name !== "H1"));
  const drawn = group.lanes.flatMap((lane) => lane.spans.map((span) => span.alert.alert_id));
  assert.deepEqual(drawn.sort(), DOCUMENT.timeline.flatMap((lane) => lane.alerts.map((alert) => alert.alert_id)).sort(), "no alert is lost");
});

test("bands cover the period without a hole and without laying over each other", () => {
  const window = windowOf(DOCUMENT);
  for (const lane of DOCUMENT.timeline.filter((each) => each.door !== "-")) {
    const bands = listBands(lane, window);
    assert.equal(bands[0]?.from, window.since, lane.door);
    assert.equal(bands.at(-1)?.to, window.until, lane.door);
    bands.forEach((band, n) => n > 0 && assert.equal(band.from, bands[n - 1]?.to, lane.door));
  }
});

test("what is not on record is never drawn as a state", () => {
  const window = windowOf(DOCUMENT);
  const whole = { ...DOCUMENT.of, from: DOCUMENT.of.since, to: DOCUMENT.of.until };
  const lane = { aircraft: "ZZ-KAT", door: "R1", kind: "cabin", alerts: [], cannot_see: [] };
  assert.deepEqual(listBands({ ...lane, states: [] }, window).map((band) => band.kind), ["not-recorded"]);
  for (const state of ["not-recorded", "not-running"]) {
    const [band] = listBands({ ...lane, states: [{ from: whole.from, to: whole.to, state, slide: "" }] }, window);
    assert.deepEqual([band?.kind, band?.state], [state, ""]);
  }
  const part = { from: new Date(window.since + 1_000).toISOString(), to: new Date(window.until - 1_000).toISOString(), state: "open", slide: "" };
  assert.deepEqual(listBands({ ...lane, states: [part] }, window).map((band) => band.kind), ["not-recorded", "state", "not-recorded"]);
});

test("answers are cut to the period and summed up", () => {
  const window = windowOf(DOCUMENT);
  const [lane] = DOCUMENT.readiness;
  assert.ok(lane !== undefined);
  const bands = listAnswers(lane, window);
  assert.ok(bands.every((band) => band.from >= window.since && band.to <= window.until && band.to > band.from));
  const sum = sumAnswers(bands).reduce((n, [, ms]) => n + ms, 0);
  assert.equal(sum, bands.reduce((n, band) => n + band.to - band.from, 0));
});

test("a zone is told with its offset, with both where the clocks were changed, and one that is not known is UTC", () => {
  assert.equal(offsetAt(0, "UTC"), "UTC");
  assert.equal(offsetAt(0, "Etc/GMT-3"), "+03:00");
  assert.deepEqual(offsetsOf(0, 0, "Etc/GMT+5"), ["-05:00"]);
  const changed = Date.parse("2026-03-29T01:00:00Z");
  assert.deepEqual(offsetsOf(changed - HOUR, changed + HOUR, "CET"), ["+01:00", "+02:00"]);
  assert.equal(knownZone("No/Where"), "UTC");
  assert.equal(knownZone("Etc/GMT-3"), "Etc/GMT-3");
  assert.equal(seconds(null), null);
  assert.equal(seconds(1.5), "1.5 s");
});

test("a debrief is simulated only where every aircraft in it is", () => {
  const [lane] = DOCUMENT.timeline;
  assert.ok(lane !== undefined);
  const lanes = (...flags: boolean[]): DebriefDocument => ({
    ...DOCUMENT,
    simulated: flags.some(Boolean),
    timeline: [{ ...lane, aircraft: "-", door: "-", simulated: false }, ...flags.map((simulated) => ({ ...lane, simulated }))],
  });
  assert.equal(isSimulated(lanes(true, true)), true, "the site's own line is of no aircraft");
  assert.equal(isSimulated(lanes(true, false)), false, "a real aircraft among simulated ones is real");
  assert.equal(isSimulated(lanes(false)), false);
});

test("hazards that could not be seen for as long and for the same reasons are one row, and none is lost", () => {
  const row = { aircraft: "ZZ-KAT", door: "L1", code: "wind-limit", deaf_minutes: 4.5332, reasons: { "not fitted": 4.5332 } };
  const groups = groupUnwatched([
    { ...row, aircraft: "ZZ-MEA", simulated: true },
    row,
    { ...row, door: "L2", deaf_minutes: 4.51 },
    { ...row, code: "leaf-stuck" },
    { ...row, door: "R1", deaf_minutes: 9, reasons: { "never seen": 9 } },
  ]);
  assert.deepEqual(
    groups.map((each) => [each.aircraft, each.minutes, each.doors.join(), each.codes.join(), each.simulated]),
    [
      ["ZZ-KAT", 9, "R1", "wind-limit", false],
      ["ZZ-KAT", 4.5, "L1,L2", "wind-limit,leaf-stuck", false],
      ["ZZ-MEA", 4.5, "L1", "wind-limit", true],
    ],
  );
  assert.deepEqual(groupUnwatched([]), []);
  const deaf = { aircraft: "ZZ-KAT", door: "L1", why: "not fitted", codes: ["wind-limit"] };
  const told = groupDeaf([deaf, { ...deaf, door: "L2" }, { ...deaf, door: "L2", why: "never seen" }, { ...deaf, aircraft: "ZZ-MEA" }]);
  assert.deepEqual(told.map((each) => `${each.aircraft} ${each.doors.join()} ${each.why}`), ["ZZ-KAT L1,L2 not fitted", "ZZ-KAT L2 never seen", "ZZ-MEA L1 not fitted"]);
});
