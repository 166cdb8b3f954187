// The line and its doors in words, for whoever does not see it: first what matters, the calm last and counted.

import { readDoor, wordDoor, type Reading } from "./reading.ts";
import type { SillDoor, SillInput } from "./types.ts";

/** Say one door: its state, what is docked, its alerts. */
export function sayDoor(door: SillDoor, reading: Reading, input: Pick<SillInput, "now" | "say">): string {
  const { say } = input;
  const words = wordDoor(door, reading, input);
  const parts = [words.state[0] ?? "", ...words.more.map((phrases) => phrases[0] ?? "")];
  if (reading.guarded) parts.push(say("sill.guarded"));
  for (const priority of ["warning", "caution", "advisory"] as const) {
    const found = door.alerts.filter((alert) => alert.priority === priority);
    const word = say(`priority.${priority}`).toLowerCase();
    if (found.some((alert) => !alert.over)) parts.push(word);
    else if (found.length > 0) parts.push(say("sill.over", { priority: word }));
  }
  return say("sill.door", { door: door.door, words: parts.join(", ") });
}

/** Say why there is no door to draw. */
export const sayNoDoors = ({ untyped = false, say }: Pick<SillInput, "untyped" | "say">): string =>
  say(untyped ? "sill.untyped" : "sill.nodoors");

/** Say the whole line in one sentence. */
export function describeSillLine(input: Pick<SillInput, "doors" | "untyped" | "holds" | "presence" | "now" | "say">): string {
  const { say } = input;
  if (input.presence === "powered_down" || input.presence === "away") return say(`sill.${input.presence}`);
  if (input.doors.length === 0) return sayNoDoors(input);
  const told: { rank: number; text: string }[] = [];
  const unknown: string[] = [];
  let calm = 0;
  for (const door of input.doors) {
    const reading = readDoor(door, input);
    const alerted = door.alerts.length > 0;
    if (reading.tone === "calm" && !alerted && reading.docked === null) calm += 1;
    else if (reading.tone === "unknown" && !alerted && door.state !== "slide_deployed") unknown.push(door.door);
    else told.push({ rank: rankOf(door), text: sayDoor(door, reading, input) });
  }
  told.sort((a, b) => a.rank - b.rank);
  const parts = told.map(({ text }) => text);
  if (unknown.length > 0) parts.push(say("sill.unknown", { n: unknown.length, doors: unknown.join(", ") }));
  if (calm > 0) parts.push(say("sill.calm", { n: calm }));
  return parts.join("; ");
}

const RANKS = ["warning", "caution", "advisory"] as const;

const rankOf = (door: SillDoor): number => {
  const at = RANKS.findIndex((priority) => door.alerts.some((alert) => alert.priority === priority && !alert.over));
  return at < 0 ? RANKS.length : at;
};
