// The hazards that could not be seen, put together as a reader wants them: those of one aircraft that could not be seen
// for as long and for the same reasons are one row. Owns no words.

import type { Unwatched } from "./documents.ts";

export interface UnwatchedGroup {
  aircraft: string;
  simulated: boolean;
  /** To a tenth, as a reader is told them. */
  minutes: number;
  whys: string[];
  doors: string[];
  codes: string[];
}

export function groupUnwatched(rows: readonly Unwatched[]): UnwatchedGroup[] {
  const groups = new Map<string, UnwatchedGroup>();
  for (const row of rows) {
    const minutes = Math.round(row.deaf_minutes * 10) / 10;
    const whys = Object.keys(row.reasons);
    const key = JSON.stringify([row.aircraft, minutes, whys]);
    const group = groups.get(key) ?? { aircraft: row.aircraft, simulated: row.simulated === true, minutes, whys, doors: [], codes: [] };
    groups.set(key, group);
    if (!group.doors.includes(row.door)) group.doors.push(row.door);
    if (!group.codes.includes(row.code)) group.codes.push(row.code);
  }
  return [...groups.values()].sort((a, b) => a.aircraft.localeCompare(b.aircraft) || b.minutes - a.minutes);
}
