// How a door is to be read: calm, worth a look, or not known; and its words, longest first.
// What is not known is never read as calm, whatever else is known of it.

import { duration } from "../times.ts";
import type { Say, SillDoor, SillInput } from "./types.ts";

export type Tone = "calm" | "notable" | "unknown" | "off";

const KNOWN = new Set(["closed_locked", "armed", "unlocked", "armed_unlocked", "ajar", "open", "slide_deployed"]);
const CALM = new Set(["closed_locked", "armed"]);
const OUT = new Set(["ajar", "open", "slide_deployed"]);
const DOCKED = new Set(["bridge", "stairs", "loader", "platform"]);
/** In frame and past half its travel: the readings cannot both be true. */
const TRAVEL_IN_FRAME_MAX = 0.5;

export interface Reading {
  tone: Tone;
  /** Where the leaf is: in its frame, out of it, or nobody knows. */
  leaf: "in" | "out" | "unknown";
  /** How far it is out, 0 to 1; null where that is not known. */
  gap: number | null;
  slide: "none" | "engaged" | "disagree" | "released" | "unknown";
  docked: string | null;
  accessUnknown: boolean;
  guarded: boolean;
  handleUp: boolean;
  /** Something of it is not seen though its state is. */
  doubtful: boolean;
}

/** Tell what may be drawn of a door. */
export function readDoor(door: SillDoor, input: Pick<SillInput, "holds" | "presence">): Reading {
  const off = input.presence === "powered_down" || input.presence === "away";
  const known = KNOWN.has(door.state) && input.holds && !off;
  // A released slide outlives a lost feed: only a person ends that state.
  const deployed = door.state === "slide_deployed";
  if (!known && !deployed) {
    return {
      tone: off ? "off" : "unknown",
      leaf: "unknown",
      gap: null,
      slide: off || door.slide === "none" ? "none" : "unknown",
      docked: null,
      accessUnknown: false,
      guarded: false,
      handleUp: false,
      doubtful: true,
    };
  }
  const travel = door.travel !== null && door.travel >= 0 && door.travel <= 1 ? door.travel : null;
  const out = OUT.has(door.state) && (!deployed || door.lastOut !== false);
  const impossible = !out && travel !== null && travel > TRAVEL_IN_FRAME_MAX;
  const slide = readSlide(door);
  // Open, an airstair is its own way down.
  const own = door.kind === "airstair" && door.state === "open" ? "own_stairs" : null;
  const doubtful = door.blind || door.quality !== "good" || !known || slide === "unknown" || impossible;
  return {
    tone: !known || impossible ? "unknown" : CALM.has(door.state) ? (doubtful ? "notable" : "calm") : "notable",
    leaf: impossible || !known ? "unknown" : out ? "out" : "in",
    gap: !known || impossible ? null : out ? travel : 0,
    slide,
    docked: known && door.access !== null && DOCKED.has(door.access) ? door.access : known ? own : null,
    accessUnknown: out && own === null && !deployed && door.tellsAccess && door.access === null,
    guarded: known && door.barrier === true,
    handleUp: known && !out && door.handle === true,
    doubtful,
  };
}

function readSlide(door: SillDoor): Reading["slide"] {
  if (door.state === "slide_deployed") return "released";
  switch (door.slide) {
    case "none":
    case "disengaged":
      return "none";
    case "engaged":
    case "disagree":
    case "released":
      return door.slide;
    default:
      return "unknown";
  }
}

export interface Words {
  /** The state; each phrase shorter than the one before. */
  state: string[];
  /** What is said below it, each with its phrases; one that does not fit is drawn all the same. */
  more: string[][];
}

/** Say a door's state. */
export function wordDoor(door: SillDoor, reading: Reading, input: Pick<SillInput, "now" | "say">): Words {
  const { say } = input;
  if (reading.tone === "off") return { state: [say("sill.off")], more: [] };
  const more: string[][] = [];
  if (reading.tone === "unknown" && door.state !== "slide_deployed") {
    const before = sayBefore(door, say);
    return { state: [say("state.unknown")], more: before === null ? [] : [[before]] };
  }
  if (door.state === "ajar" && door.since !== null) more.push([duration(input.now - door.since)]);
  if (reading.docked !== null) more.push([say(`sill.docked.${reading.docked}`)]);
  else if (reading.accessUnknown) more.push([say("sill.access.unknown"), say("sill.access.unknown.short")]);
  else if (reading.leaf === "out" && door.tellsAccess && door.state !== "slide_deployed") more.push([say("sill.access.none")]);
  if (reading.slide === "disagree") more.push([say("sill.slide.disagree"), say("sill.slide.disagree.short")]);
  else if (reading.slide === "unknown") more.push([say("sill.slide.unknown"), say("sill.slide.unknown.short")]);
  else if (reading.doubtful) more.push([say("sill.doubtful"), say("sill.doubtful.short")]);
  return { state: sayState(door, reading, say), more };
}

function sayState(door: SillDoor, reading: Reading, say: Say): string[] {
  const key = reading.handleUp && (door.state === "unlocked" || door.state === "armed_unlocked") ? `${door.state}.handle` : door.state;
  const out = (door.state === "ajar" || door.state === "open") && (reading.slide === "engaged" || reading.slide === "disagree");
  if (out) return [say(`sill.state.${door.state}.engaged`)];
  return [say(`sill.state.${key}`), say(`sill.state.${key}.short`)];
}

function sayBefore(door: SillDoor, say: Say): string | null {
  if (KNOWN.has(door.state)) return say("sill.before", { state: say(`state.${door.state}`) });
  if (door.lastOut === null) return null;
  return say("sill.before", { state: say(door.lastOut ? "state.open" : "sill.before.closed") });
}
