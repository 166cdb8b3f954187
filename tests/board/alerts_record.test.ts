import assert from "node:assert/strict";
import { test } from "node:test";
import { NO_FILTER } from "../../monitor/adapters/web/board/src/alerts/filter.ts";
import {
  eventWord,
  historyAddress,
  isByPeople,
  isWanted,
  joinEvents,
  readSubject,
  readWallTime,
} from "../../monitor/adapters/web/board/src/alerts/record.ts";
import type { EventDocument } from "../../monitor/adapters/web/board/src/wire.ts";
import { makeAlert } from "./alerts_made.ts";

const ZONE = "Europe/Stockholm";

function makeEvent(id: string, time: string, part: Partial<EventDocument> = {}): EventDocument {
  const data = makeAlert();
  return { aircraft: data.aircraft, door: data.door, code: data.code, type: "sillwatch.alert.raised", id, time, data, ...part };
}

const wall = (text: string, zone = ZONE): string | null => {
  const ms = readWallTime(text, zone);
  return ms === null ? null : new Date(ms).toISOString();
};

test("a wall time of the site is read with the offset that holds then", () => {
  assert.equal(wall("2026-01-15T10:15"), "2026-01-15T09:15:00.000Z");
  assert.equal(wall("2026-07-15T10:15"), "2026-07-15T08:15:00.000Z");
  assert.equal(wall("2026-07-15T10:15", "UTC"), "2026-07-15T10:15:00.000Z");
  assert.equal(wall("2026-07-15T00:05", "Asia/Kathmandu"), "2026-07-14T18:20:00.000Z");
  assert.equal(wall("2026-07-15T23:59", "Pacific/Kiritimati"), "2026-07-15T09:59:00.000Z");
  assert.equal(wall("soon"), null);
});

test("a wall time that comes twice is its first, one that is left out the one after it", () => {
  assert.equal(wall("2026-10-25T02:30"), "2026-10-25T00:30:00.000Z");
  assert.equal(wall("2026-10-25T03:30"), "2026-10-25T02:30:00.000Z");
  assert.equal(wall("2026-03-29T02:30"), "2026-03-29T01:30:00.000Z");
  assert.equal(wall("2026-03-29T01:30"), "2026-03-29T00:30:00.000Z");
});

test("the question for a page names what is filtered, and the page before", () => {
  const filter = { ...NO_FILTER, aircraft: " zz-kat", door: "R2", since: "2026-01-15T10:15", text: "not asked" };
  const query = new URL(historyAddress(filter, ZONE, "cursor", 50), "http://board").searchParams;
  assert.deepEqual(Object.fromEntries(query), {
    limit: "50",
    aircraft: "ZZ-KAT",
    door: "R2",
    since: "2026-01-15T09:15:00.000Z",
    after: "cursor",
  });
});

test("an event that comes in is kept or left out as the service would", () => {
  const event = makeEvent("e", "2026-01-15T09:15:00.000Z");
  assert.ok(isWanted(event, NO_FILTER, ZONE));
  assert.ok(isWanted(event, { ...NO_FILTER, aircraft: "zz-kat", door: "R2", code: "armed-handle-moved" }, ZONE));
  assert.ok(!isWanted(event, { ...NO_FILTER, aircraft: "ZZ-OLM" }, ZONE));
  assert.ok(!isWanted(event, { ...NO_FILTER, door: "L1" }, ZONE));
  assert.ok(!isWanted(event, { ...NO_FILTER, code: "feed-lost" }, ZONE));
  assert.ok(isWanted(event, { ...NO_FILTER, since: "2026-01-15T10:15" }, ZONE), "from this moment on");
  assert.ok(!isWanted(event, { ...NO_FILTER, until: "2026-01-15T10:15" }, ZONE), "before this moment");
});

test("events of now stand above those of the record, each once", () => {
  const listed = [makeEvent("c", "2026-01-15T09:03:00.000Z"), makeEvent("b", "2026-01-15T09:02:00.000Z")];
  const live = [makeEvent("d", "2026-01-15T09:04:00.000Z"), listed[0] as EventDocument, makeEvent("a", "2026-01-15T09:01:00.000Z")];
  assert.deepEqual(joinEvents(live, listed, NO_FILTER, ZONE).map((each) => each.id), ["d", "c", "b"]);
  assert.deepEqual(joinEvents(live, [], NO_FILTER, ZONE).map((each) => each.id), ["d", "c", "a"]);
});

test("a change's word is its type without what stands before it", () => {
  assert.equal(eventWord("sillwatch.alert.taken-out-of-service"), "taken-out-of-service");
  assert.equal(eventWord("raised"), "raised");
});

test("only what people do is told with a name", () => {
  assert.ok(["acknowledged", "unacknowledged", "shelved", "unshelved", "reset"].every(isByPeople));
  assert.ok(!["raised", "reraised", "cleared", "escalated", "suppressed"].some(isByPeople));
});

test("what an action was about is taken apart", () => {
  assert.deepEqual(readSubject("ZZ-KAT/R2/armed-handle-moved/0ab1"), { aircraft: "ZZ-KAT", door: "R2", what: "armed-handle-moved" });
  assert.deepEqual(readSubject("ZZ-KAT"), { aircraft: "ZZ-KAT", door: "", what: "" });
});
