// Where a door stands in its section, and how its leaf moves out of its frame. Pure geometry, lengths in px.
//
// The section is cut across the fuselage and looked at along it: the cabin on the left, the apron on the right.

import type { DoorPart } from "./wire.ts";

export interface Point {
  x: number;
  y: number;
}

/** How a leaf leaves its frame: it draws aside, swings about its upper or its lower edge, or is drawn inwards. */
export type Motion = "aside" | "up" | "down" | "in";

export interface Frame {
  width: number;
  height: number;
  /** Px for a metre. */
  metre: number;
  /** The outer skin. */
  wall: number;
  thick: number;
  sill: number;
  lintel: number;
  ground: number;
  /** The drop is drawn shorter than it is. */
  shortened: boolean;
  motion: Motion;
  leaf: number;
}

const HEIGHTS_M: Readonly<Record<string, number>> = {
  cabin: 1.9,
  airstair: 1.9,
  overwing: 1.0,
  window: 0.6,
  cargo: 1.35,
  bulk: 1.2,
  hatch: 0.8,
  main_deck: 2.5,
};

const MOTIONS: Readonly<Record<string, Motion>> = {
  cabin: "aside",
  bulk: "aside",
  airstair: "down",
  overwing: "up",
  cargo: "up",
  main_deck: "up",
  hatch: "down",
  window: "in",
};

const HEADROOM_M = 0.42;
const UNDER = 30;
/** Share of the room that the door itself gets; the drop below it has the rest, and is shortened where that is not enough. */
const DOOR_SHARE = 0.64;
const METRE_MAX = 125;
/** Degrees that a leaf swings through. */
const SWING: Readonly<Record<Motion, number>> = { aside: 0, in: 0, up: 105, down: 128 };

/** Lay a door out in a room. */
export function frameOf(door: DoorPart, width: number, height: number): Frame {
  const tall = HEIGHTS_M[door.kind] ?? 1.2;
  const motion = MOTIONS[door.kind] ?? "aside";
  const above = tall + HEADROOM_M + (motion === "up" ? 0.45 * tall : 0);
  const room = height - UNDER;
  const metre = Math.min(METRE_MAX, (DOOR_SHARE * room) / above);
  const [drop, most] = [door.sill_m * metre, room - above * metre];
  const ground = room;
  const sill = ground - Math.min(drop, most);
  return {
    width,
    height,
    metre,
    wall: width * 0.46,
    thick: Math.max(10, 0.13 * metre),
    sill,
    lintel: sill - tall * metre,
    ground,
    shortened: drop > most,
    motion,
    leaf: Math.max(0, Math.min(1, door.mechanism.leaf)),
  };
}

/** How far a leaf swings, rad: one that comes down, until it meets the ground. */
function swingOf({ motion, sill, lintel, ground }: Frame): number {
  const whole = (SWING[motion] * Math.PI) / 180;
  return motion === "down" ? Math.min(whole, Math.acos(Math.max(-1, (sill - ground) / (sill - lintel)))) : whole;
}

/** Where a point of the leaf is now: `up` px above its lower edge, `out` px outwards of its inner face. */
export function onLeaf(frame: Frame, up: number, out: number): Point {
  const { wall, thick, sill, lintel, leaf, metre, motion } = frame;
  const inner = wall - thick;
  if (motion === "aside") return { x: inner + out + leaf * 0.75 * metre, y: sill - up - Math.min(1, leaf * 8) * 0.05 * metre };
  if (motion === "in") return { x: inner + out - leaf * 0.5 * metre, y: sill - up };
  const turn = leaf * swingOf(frame);
  const [sin, cos] = [Math.sin(turn), Math.cos(turn)];
  // About the outer edge, so that it never cuts into the skin beside it.
  if (motion === "up") {
    const down = sill - lintel - up;
    const v = out - thick;
    return { x: wall + v * cos + down * sin, y: lintel + down * cos - v * sin };
  }
  const v = out - thick;
  return { x: wall + v * cos + up * sin, y: sill - up * cos + v * sin };
}
