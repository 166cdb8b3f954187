// What is read from a run of a procedure: how far it is, which step is due, and what went wrong with it.
//
// Whatever may be wanting is taken for nothing: a run without steps is one of which no step is known.

import type { ProcedureRun, ProcedureStep } from "../wire.ts";

export const STEP_STATES = ["waiting", "due", "taken", "skipped", "out-of-order", "too-slow", "cannot-tell"] as const;
export type StepState = (typeof STEP_STATES)[number];

const TROUBLES = ["skipped", "out_of_order", "too_slow", "forbidden", "cannot_tell", "unseen"] as const;
export type Trouble = (typeof TROUBLES)[number];

/** A step's state, that of one whose word is not known being the one that nothing can be told of. */
export const stateOf = (step: Pick<ProcedureStep, "state">): StepState =>
  STEP_STATES.find((each) => each === step.state) ?? "cannot-tell";

/** Whether a step was done, in whichever way. */
const isDone = (step: ProcedureStep): boolean => ["taken", "out-of-order", "too-slow"].includes(step.state);

/** The steps that are due now; some procedures leave the order of a few open. */
export const dueSteps = (run: ProcedureRun): readonly ProcedureStep[] =>
  run.state === "running" ? (run.steps ?? []).filter((step) => step.state === "due") : [];

/** How many steps were done, of how many. */
export function progressOf(run: ProcedureRun): { done: number; of: number } {
  const steps = run.steps ?? [];
  return { done: steps.filter(isDone).length, of: steps.length };
}

/** What went wrong or cannot be told, with how often; nothing of what did not happen. */
export function troublesOf(run: ProcedureRun): [Trouble, number][] {
  const counts: Partial<Record<Trouble, number>> = { ...run.counts, unseen: run.unseen?.length ?? 0 };
  return TROUBLES.map((each): [Trouble, number] => [each, counts[each] ?? 0]).filter(([, n]) => n > 0);
}

/** How long a run has gone on at `now`, or took, ms. */
export function elapsedOf(run: ProcedureRun, now: number): number {
  const began = Date.parse(run.began_at);
  if (run.state === "running") return Math.max(0, now - began);
  if (typeof run.elapsed_s === "number") return run.elapsed_s * 1000;
  return Math.max(0, Date.parse(run.ended_at ?? run.changed_at) - began);
}

/** How a step took against what it may take, both in ms; null where neither is told. */
export function tookOf(step: ProcedureStep): { took: number | null; limit: number | null } | null {
  const took = typeof step.took_s === "number" ? step.took_s * 1000 : null;
  const limit = typeof step.limit_s === "number" ? step.limit_s * 1000 : null;
  return took === null && limit === null ? null : { took, limit };
}

/** How long the step that has to be done first has been awaited at `now`, and how long it may be, ms; null where none is. */
export function clockOf(run: ProcedureRun, now: number): { elapsed: number; limit: number } | null {
  if (run.state !== "running") return null;
  let first: { due: number; limit: number } | null = null;
  for (const step of run.steps ?? []) {
    if (typeof step.due_at !== "string" || typeof step.limit_s !== "number") continue;
    const due = Date.parse(step.due_at);
    if (first === null || due < first.due) first = { due, limit: step.limit_s * 1000 };
  }
  return first === null ? null : { elapsed: Math.max(0, now - (first.due - first.limit)), limit: first.limit };
}

/** Runs in the order in which they are looked at: those that go on first, then the newest. */
export function orderRuns(runs: Iterable<ProcedureRun>): ProcedureRun[] {
  const rank = (run: ProcedureRun): number => (run.state === "running" ? 0 : 1);
  return [...runs].sort(
    (a, b) => rank(a) - rank(b) || Date.parse(b.changed_at) - Date.parse(a.changed_at) || a.door.localeCompare(b.door),
  );
}

/** The runs of which a row on the apron says something. */
export const goingOn = (runs: ReadonlyMap<string, ProcedureRun>): ProcedureRun[] =>
  orderRuns([...runs.values()].filter((run) => run.state === "running"));

/** The steps that a person may report now: those that no sensor shows and that are not done. */
export const reportableSteps = (run: ProcedureRun): readonly ProcedureStep[] =>
  run.state === "running" ? (run.steps ?? []).filter((step) => step.reported === true && !isDone(step)) : [];
