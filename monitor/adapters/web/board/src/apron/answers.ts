// The answers of an aircraft as a coordinator reads them at a glance: what is stopped, by what, in few words.
// Everything is told in full on the aircraft's page; nothing here turns "cannot tell" into anything better.

import type { AirframeType, DoorDocument, ReadinessDocument, ShortAnswer } from "../wire.ts";

/** Doors that somebody comes to with a bridge, stairs or a loader. */
const WORKED = new Set(["cabin", "airstair", "cargo", "bulk", "main_deck"]);
const SHUT = new Set(["closed_locked", "armed", "unlocked", "armed_unlocked", "unknown"]);
const REASONS_SHOWN = 2;
const GROUPS_SHOWN = 2;

export interface OpenGroup {
  verdict: ShortAnswer["verdict"];
  doors: string[];
  /** What stops every one of them, or is wanting for every one. */
  reasons: string[];
}

/** Group the doors that are not open by what is said of opening them; the most telling group first. */
export function groupOpening(
  readiness: ReadinessDocument,
  type: AirframeType | undefined,
  documents: ReadonlyMap<string, DoorDocument>,
): OpenGroup[] {
  const kinds = new Map(type?.doors.map((each) => [each.door, each.kind]));
  const groups = new Map<string, OpenGroup>();
  const order = type?.doors.map((each) => each.door) ?? Object.keys(readiness.doors);
  for (const door of order) {
    const answer = readiness.doors[door];
    const document = documents.get(door);
    if (answer === undefined || !WORKED.has(kinds.get(door) ?? document?.kind ?? "")) continue;
    if (!SHUT.has(document?.state ?? "unknown")) continue;
    const key = `${answer.verdict}|${answer.reasons.join("|")}`;
    const group = groups.get(key);
    if (group === undefined) groups.set(key, { verdict: answer.verdict, doors: [door], reasons: [...answer.reasons] });
    else group.doors.push(door);
  }
  return merge([...groups.values()]);
}

/** Where more groups came out than are read at a glance, those of one verdict become one with the reasons they share. */
function merge(groups: OpenGroup[]): OpenGroup[] {
  if (groups.length <= GROUPS_SHOWN) return groups;
  const merged = new Map<string, OpenGroup>();
  for (const group of groups) {
    const into = merged.get(group.verdict);
    if (into === undefined) merged.set(group.verdict, { ...group, doors: [...group.doors], reasons: [...group.reasons] });
    else {
      into.doors.push(...group.doors);
      into.reasons = into.reasons.filter((reason) => group.reasons.includes(reason));
    }
  }
  return [...merged.values()];
}

/** The first reasons, and how many more there are. */
export function cutReasons(reasons: readonly string[]): { shown: string[]; more: number } {
  const shown = reasons.slice(0, REASONS_SHOWN);
  return { shown, more: reasons.length - shown.length };
}
