// What is read from a run of a procedure, and how the picture follows it; nothing that is missing stops it.

import assert from "node:assert/strict";
import { test } from "node:test";
import { Model } from "../../monitor/adapters/web/board/src/live/model.ts";
import {
  clockOf,
  dueSteps,
  elapsedOf,
  goingOn,
  orderRuns,
  progressOf,
  reportableSteps,
  stateOf,
  tookOf,
  troublesOf,
} from "../../monitor/adapters/web/board/src/procedures/run.ts";
import type { AircraftRow, ProcedureRun, ProcedureStep, Snapshot } from "../../monitor/adapters/web/board/src/wire.ts";

const BEGAN = Date.parse("2026-03-01T10:15:00.000Z");
const at = (s: number): string => new Date(BEGAN + s * 1000).toISOString();

const STEPS: ProcedureStep[] = [
  { step: "look", text: "Look outside", state: "taken", at: at(0) },
  { step: "pin", text: "Pin in", state: "skipped" },
  { step: "lift", text: "Lift the handle", state: "too-slow", at: at(7), took_s: 7, limit_s: 5 },
  { step: "push", text: "Push the door", state: "due", limit_s: 10, due_at: at(17) },
  { step: "cut", text: "Lanyard cut", state: "waiting", reported: true },
];

function makeRun(part: Partial<ProcedureRun> = {}): ProcedureRun {
  return {
    run_id: "r1",
    procedure: "open-inside",
    title: "Opening from inside",
    site: "tarnwick",
    aircraft: "ZZ-KAT",
    stand: "S12",
    door: "L1",
    state: "running",
    began_at: at(0),
    changed_at: at(7),
    elapsed_s: 7,
    steps: STEPS,
    forbidden: [],
    counts: { taken: 1, skipped: 1, out_of_order: 0, too_slow: 1, forbidden: 0, cannot_tell: 0 },
    ...part,
  };
}

test("a run says how far it is, what is due and what went wrong", () => {
  const run = makeRun();
  assert.deepEqual(progressOf(run), { done: 2, of: 5 });
  assert.deepEqual(dueSteps(run).map((step) => step.step), ["push"]);
  assert.deepEqual(troublesOf(run), [["skipped", 1], ["too_slow", 1]]);
  assert.deepEqual(reportableSteps(run).map((step) => step.step), ["cut"]);
  assert.deepEqual(tookOf(STEPS[2] as ProcedureStep), { took: 7_000, limit: 5_000 });
  assert.equal(tookOf(STEPS[1] as ProcedureStep), null);
});

test("what goes on ticks, the awaited step against its limit; what is over stands still", () => {
  const run = makeRun();
  assert.equal(elapsedOf(run, BEGAN + 9_500), 9_500);
  assert.deepEqual(clockOf(run, BEGAN + 9_500), { elapsed: 2_500, limit: 10_000 });
  const over = makeRun({ state: "finished", ended_at: at(12), elapsed_s: 12 });
  assert.equal(elapsedOf(over, BEGAN + 60_000), 12_000);
  assert.equal(clockOf(over, BEGAN + 60_000), null);
  assert.deepEqual(dueSteps(over), []);
  assert.deepEqual(reportableSteps(over), []);
});

test("what must not be and cannot be seen is told with what went wrong, as something that nobody can tell", () => {
  const run = makeRun({ counts: { forbidden: 1 }, unseen: [{ rule: "wind", text: "Opened in too much wind" }] });
  assert.deepEqual(troublesOf(run), [["forbidden", 1], ["unseen", 1]]);
});

test("a run without its parts is one of which nothing is known, and a strange word cannot be told", () => {
  const { steps: _, counts: __, forbidden: ___, elapsed_s: ____, ...bare } = makeRun({ state: "abandoned" });
  assert.deepEqual(progressOf(bare), { done: 0, of: 0 });
  assert.deepEqual(troublesOf(bare), []);
  assert.equal(elapsedOf(bare, BEGAN + 60_000), 7_000);
  assert.equal(stateOf({ state: "half done" }), "cannot-tell");
});

test("what goes on comes first, then the newest, and a row tells of nothing else", () => {
  const old = makeRun({ run_id: "old", door: "L1", state: "finished", changed_at: at(1) });
  const newer = makeRun({ run_id: "newer", door: "R1", state: "abandoned", changed_at: at(5) });
  const running = makeRun({ run_id: "running", door: "R2", changed_at: at(0) });
  assert.deepEqual(orderRuns([old, newer, running]).map((run) => run.run_id), ["running", "newer", "old"]);
  assert.deepEqual(goingOn(new Map([["L1", old], ["R2", running]])).map((run) => run.run_id), ["running"]);
});

test("the picture holds the run of each door, and lets go of it", () => {
  const model = new Model();
  const row = { aircraft: "ZZ-KAT" } as AircraftRow;
  const snapshot = {
    now: at(0),
    health: {},
    alerts: [],
    aircraft: [{ ...row, doors: {}, procedures: [makeRun()] }, { aircraft: "ZZ-BRU", doors: {} }],
  } as unknown as Snapshot;
  model.take({ name: "snapshot", data: snapshot }, 0);
  model.take({ name: "procedure", data: { aircraft: "ZZ-KAT", door: "R2", document: makeRun({ door: "R2" }) } }, 0);
  model.take({ name: "procedure", data: { aircraft: "ZZ-NOT", door: "R2", document: makeRun() } }, 0);
  model.publish();
  assert.deepEqual([...(model.view("ZZ-KAT").value?.procedures.keys() ?? [])], ["L1", "R2"]);
  assert.equal(model.view("ZZ-BRU").value?.procedures.size, 0);
  assert.deepEqual(model.registrations.value, ["ZZ-BRU", "ZZ-KAT"]);
  model.take({ name: "procedure", data: { aircraft: "ZZ-KAT", door: "L1", document: null } }, 0);
  model.publish();
  assert.deepEqual([...(model.view("ZZ-KAT").value?.procedures.keys() ?? [])], ["R2"]);
});
