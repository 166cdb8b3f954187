// Signals of one aircraft's parts that change only when that part does: a heartbeat draws no line anew.

import { useComputed, type ReadonlySignal } from "@preact/signals";
import { useRef } from "preact/hooks";
import { model } from "../live/model.ts";
import type { AircraftRow, AlertDocument, DoorDocument, ProcedureRun, ReadinessDocument } from "../wire.ts";

export interface Parts {
  row: ReadonlySignal<AircraftRow | null>;
  doors: ReadonlySignal<ReadonlyMap<string, DoorDocument>>;
  alerts: ReadonlySignal<readonly AlertDocument[]>;
  readiness: ReadonlySignal<ReadinessDocument | null>;
  procedures: ReadonlySignal<ReadonlyMap<string, ProcedureRun>>;
}

const NO_DOORS: ReadonlyMap<string, DoorDocument> = new Map();
const NO_RUNS: ReadonlyMap<string, ProcedureRun> = new Map();
const NO_ALERTS: readonly AlertDocument[] = [];

const sameMap = <T,>(a: ReadonlyMap<string, T>, b: ReadonlyMap<string, T>): boolean =>
  a.size === b.size && [...a].every(([key, value]) => b.get(key) === value);

const sameList = <T,>(a: readonly T[], b: readonly T[]): boolean => a.length === b.length && a.every((each, at) => each === b[at]);

/** Follow one aircraft, part by part. */
export function useParts(registration: string): Parts {
  const view = model.view(registration);
  const doorsBefore = useRef(NO_DOORS);
  const alertsBefore = useRef(NO_ALERTS);
  const runsBefore = useRef(NO_RUNS);
  return {
    row: useComputed(() => view.value?.row ?? null),
    doors: useComputed(() => {
      const next = view.value?.doors ?? NO_DOORS;
      if (!sameMap(doorsBefore.current, next)) doorsBefore.current = next;
      return doorsBefore.current;
    }),
    alerts: useComputed(() => {
      const next = view.value?.alerts ?? NO_ALERTS;
      if (!sameList(alertsBefore.current, next)) alertsBefore.current = next;
      return alertsBefore.current;
    }),
    readiness: useComputed(() => view.value?.readiness ?? null),
    procedures: useComputed(() => {
      const next = view.value?.procedures ?? NO_RUNS;
      if (!sameMap(runsBefore.current, next)) runsBefore.current = next;
      return runsBefore.current;
    }),
  };
}
