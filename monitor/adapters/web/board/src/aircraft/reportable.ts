// What a person can say of a door: the signals that an eye can answer, those that its type has fitted, and what the
// door's own mark and lamps show, which any door may have.

import type { DoorType } from "../wire.ts";

/** The answers that a signal takes; as the service takes them. */
export const CHOICES: Readonly<Record<string, readonly string[]>> = {
  access: ["none", "bridge", "stairs", "loader", "platform"],
  selector: ["open", "neutral", "close"],
  lock_indicator: ["locked", "unlocked"],
};

const YES_OR_NO: readonly string[] = ["true", "false"];

const MARKS: readonly string[] = ["lock_indicator", "armed_light", "pressure_light"];

const SEEN: readonly string[] = [
  "closed",
  "latched",
  "locked",
  "handle_lifted",
  "outside_handle_lifted",
  "flap_pressed",
  "hold_open",
  "lever_armed",
  "girt_left",
  "girt_right",
  "pin_fitted",
  "slide_released",
  "slide_erect",
  "manual_inflation",
  "slide_detached",
  "ground_clear",
  "cover_fitted",
  "selector",
  "hand_pump",
  "lock_flags",
  "access",
  "barrier",
  "rope_stowed",
];

/** The signals that a person may speak to at a door, marks and lamps first; all where its type is not known. */
export function listReportable(door: DoorType | null, reported: Iterable<string>): string[] {
  const told = new Set(reported);
  const fits = (signal: string): boolean => door === null || door.signals.includes(signal) || told.has(signal);
  const ground = (signal: string): boolean => signal === "ground_clear" && door?.slide === true;
  return [...MARKS, ...SEEN.filter((signal) => fits(signal) || ground(signal))];
}

export const choicesOf = (signal: string): readonly string[] => CHOICES[signal] ?? YES_OR_NO;

/** The chosen word as the service takes it. */
export const readChoice = (signal: string, word: string): boolean | string =>
  signal in CHOICES ? word : word === "true";
