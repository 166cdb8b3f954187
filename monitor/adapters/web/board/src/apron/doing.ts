// What an aircraft does beside its doors: which engines run, whether it is refuelled. Null is unknown, and is said.

import type { AircraftRow, AirframeType } from "../wire.ts";

const UNJUDGED = new Set(["powered_down", "away"]);

/** Tell which engines run and whether fuel flows; of what is off or away nothing is asked. */
export function readDoing(
  row: Pick<AircraftRow, "presence" | "engines_running" | "refuelling">,
  type: Pick<AirframeType, "engines"> | undefined,
): { engines: readonly number[] | null; refuelling: boolean | null } {
  const asked = !UNJUDGED.has(row.presence);
  // A type without engines runs none; of no known type nobody can say so.
  const engines = row.engines_running ?? (asked && type?.engines.length !== 0 ? null : []);
  return { engines, refuelling: row.refuelling ?? (asked ? null : false) };
}
