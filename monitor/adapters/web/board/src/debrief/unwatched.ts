// The hazards that could not be seen, put together as a reader wants them: those of one aircraft that could not be seen
// for as long and for the same reasons are one row. Owns no words.

import type { HandoverDocument, Unwatched } from "./documents.ts";

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

type Deaf = HandoverDocument["deaf_to"][number];

/** Doors of an aircraft that are deaf to the same hazards for the same reason, as one: most are deaf by how they were built. */
export function groupDeaf(rows: readonly Deaf[]): (Omit<Deaf, "door"> & { doors: string[] })[] {
  const groups = new Map<string, Omit<Deaf, "door"> & { doors: string[] }>();
  for (const { door, ...row } of rows) {
    const key = JSON.stringify([row.aircraft, row.why, row.codes]);
    const group = groups.get(key) ?? { ...row, doors: [] };
    groups.set(key, group);
    group.doors.push(door);
  }
  return [...groups.values()];
}
