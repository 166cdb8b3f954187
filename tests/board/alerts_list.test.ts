import assert from "node:assert/strict";
import { test } from "node:test";
import { isFiltered, NO_FILTER, readFilter, writeFilter } from "../../monitor/adapters/web/board/src/alerts/filter.ts";
import {
  compareAlerts,
  groupOf,
  isShelvable,
  isShelvingWithheld,
  keepStill,
  layOut,
  listActs,
  matches,
  rankOf,
  type Layout,
} from "../../monitor/adapters/web/board/src/alerts/order.ts";
import { placeOf } from "../../monitor/adapters/web/board/src/live/model.ts";
import type { AlertDocument } from "../../monitor/adapters/web/board/src/wire.ts";
import { makeAlert } from "./alerts_made.ts";

const byPlace = (...alerts: AlertDocument[]): Map<string, AlertDocument> =>
  new Map(alerts.map((alert) => [placeOf(alert), alert]));
const doorsOf = (layout: Layout): Record<string, string[]> =>
  Object.fromEntries(Object.entries(layout).map(([group, lines]) => [group, lines.map(({ alert }) => alert.door)]));

test("the most urgent comes first, then what still stands, then the newest", () => {
  const alerts = [
    makeAlert({ door: "C", priority: "caution", raised_at: "2026-03-01T10:09:00.000Z" }),
    makeAlert({ door: "old", raised_at: "2026-03-01T10:00:00.000Z" }),
    makeAlert({ door: "over", state: "rtn_unacknowledged", raised_at: "2026-03-01T10:08:00.000Z" }),
    makeAlert({ door: "new", raised_at: "2026-03-01T10:05:00.000Z" }),
    makeAlert({ door: "A", priority: "advisory", raised_at: "2026-03-01T10:09:30.000Z" }),
  ];
  assert.deepEqual(alerts.sort(compareAlerts).map((each) => each.door), ["new", "old", "over", "C", "A"]);
});

test("a priority and a state that are not known are never calm", () => {
  assert.ok(rankOf("something") > rankOf("advisory"));
  assert.equal(groupOf({ state: "something" }), "waiting");
});

test("every state has its group", () => {
  const states = ["unacknowledged", "rtn_unacknowledged", "acknowledged", "latched", "shelved", "suppressed", "out_of_service"];
  assert.deepEqual(
    states.map((state) => groupOf({ state })),
    ["waiting", "waiting", "handled", "handled", "aside", "aside", "aside"],
  );
});

test("each place of the filter is asked for, the words anywhere", () => {
  const alert = makeAlert({ text: "R2: handle lifted", by: "M. Ekwall", stand: "S12" });
  const none = { priority: "" as const, aircraft: "", stand: "", door: "", text: "" };
  assert.ok(matches(alert, none));
  assert.ok(matches(alert, { ...none, aircraft: " zz-kat " }));
  assert.ok(!matches(alert, { ...none, aircraft: "ZZ-KA" }));
  assert.ok(matches(alert, { ...none, stand: "s12", door: "r2", priority: "warning" }));
  assert.ok(!matches(alert, { ...none, priority: "caution" }));
  assert.ok(matches(alert, { ...none, text: "HANDLE LIFTED" }));
  assert.ok(matches(alert, { ...none, text: "ekwall" }));
  assert.ok(matches(alert, { ...none, text: "armed handle" }), "the code's words count too");
  assert.ok(!matches(alert, { ...none, text: "cargo" }));
});

test("a list that stands still moves nothing, drops nothing, and puts what is new apart", () => {
  const [a, b, c] = [makeAlert({ door: "A" }), makeAlert({ door: "B", priority: "caution" }), makeAlert({ door: "C", state: "acknowledged" })];
  const before = layOut([a, b, c], NO_FILTER);
  assert.deepEqual(doorsOf(before), { waiting: ["A", "B"], handled: ["C"], aside: [], meanwhile: [] });

  const taken = { ...a, state: "acknowledged", by: "M." };
  const first = makeAlert({ door: "N1", priority: "caution" });
  const still = keepStill(before, byPlace(taken, c, first), NO_FILTER);
  assert.deepEqual(doorsOf(still), { waiting: ["A", "B"], handled: ["C"], aside: [], meanwhile: ["N1"] });
  assert.equal(still.waiting[0]?.alert.state, "acknowledged", "it stays, and shows what it is now");
  assert.deepEqual(still.waiting.map((line) => line.over), [false, true], "what has ended says so");

  const urgent = makeAlert({ door: "N0" });
  const later = keepStill(still, byPlace(taken, b, c, first, urgent), NO_FILTER);
  assert.deepEqual(doorsOf(later).meanwhile, ["N1", "N0"], "a newer one does not push an earlier one away");
  assert.deepEqual(later.waiting.map((line) => line.over), [false, false], "back again");

  const moved = layOut([taken, b, c, first, urgent], NO_FILTER);
  assert.deepEqual(doorsOf(moved), { waiting: ["N0", "B", "N1"], handled: ["A", "C"], aside: [], meanwhile: [] });
});

test("what is new while the list stands still has to meet the filter as well", () => {
  const filter = { ...NO_FILTER, stand: "S12" };
  const still = keepStill(layOut([], filter), byPlace(makeAlert({ stand: "S9" }), makeAlert({ door: "L1" })), filter);
  assert.deepEqual(doorsOf(still).meanwhile, ["L1"]);
});

test("only what the service takes is offered", () => {
  const acts = (part: Partial<AlertDocument>): string[] => listActs(makeAlert({ respond_within_s: 60, ...part }));
  assert.deepEqual(acts({}), ["acknowledge", "shelve"]);
  assert.deepEqual(acts({ state: "rtn_unacknowledged" }), ["acknowledge", "shelve"]);
  assert.deepEqual(acts({ state: "acknowledged" }), ["unacknowledge", "shelve"]);
  assert.deepEqual(acts({ state: "shelved" }), ["unshelve"]);
  assert.deepEqual(acts({ state: "suppressed" }), []);
  assert.deepEqual(acts({ state: "out_of_service", blind: true }), []);
  assert.deepEqual(acts({ blind: true }), ["acknowledge", "shelve", "close"]);
  assert.deepEqual(acts({ state: "latched", blind: true }), ["unacknowledge", "shelve"]);
});

test("an alert that asks for an answer within 10 s is never shelved, and the page says so", () => {
  for (const [seconds, shelvable] of [[5, false], [10, false], [10.5, true], [null, true]] as const) {
    const alert = makeAlert({ respond_within_s: seconds });
    assert.equal(isShelvable(alert), shelvable, `${seconds}`);
    assert.equal(listActs(alert).includes("shelve"), shelvable, `${seconds}`);
    assert.equal(isShelvingWithheld(alert), !shelvable, `${seconds}`);
  }
  assert.ok(!isShelvingWithheld(makeAlert({ state: "suppressed" })), "nothing is withheld that nobody looks for");
});

test("a filter survives its address", () => {
  const filter = { ...NO_FILTER, priority: "caution" as const, aircraft: "ZZ-KAT", text: "a b&c", view: "history" as const, since: "2026-03-01T10:15" };
  assert.deepEqual(readFilter(new URLSearchParams(new URL(writeFilter(filter), "http://board").search)), filter);
  assert.equal(writeFilter(NO_FILTER), "/alerts");
});

test("an address that makes no sense filters nothing", () => {
  const filter = readFilter(new URLSearchParams("view=x&priority=loud&since=yesterday&until=2026-03-01&other=1"));
  assert.deepEqual(filter, NO_FILTER);
});

test("only what the view filters by counts as a filter of it", () => {
  assert.ok(!isFiltered({ ...NO_FILTER, code: "armed-handle-moved" }));
  assert.ok(isFiltered({ ...NO_FILTER, priority: "warning" }));
  assert.ok(isFiltered({ ...NO_FILTER, view: "history", code: "armed-handle-moved" }));
  assert.ok(!isFiltered({ ...NO_FILTER, view: "history", priority: "warning" }));
  assert.ok(!isFiltered({ ...NO_FILTER, door: " " }));
});
