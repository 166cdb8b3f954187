// What the sill line is drawn from and what a drawing is made of. Plain data; nothing here decides anything.

import type { Priority } from "../wire.ts";

/** Says the words of a key in the reader's language, its places filled in; a place `n` is counted. */
export type Say = (key: string, places?: Readonly<Record<string, string | number>>) => string;

export interface DoorAlert {
  priority: Priority;
  /** It holds and nobody has taken it up yet. */
  waiting: boolean;
  /** It holds no more; nobody has said that they saw it. */
  over: boolean;
}

/** One door: what its type says about it and what is known of it now. Null is unknown. */
export interface SillDoor {
  door: string;
  kind: string;
  side: "left" | "right" | "none";
  sill_m: number | null;
  wind_moved_kt: number | null;
  wind_held_kt: number | null;
  /** Whether its equipment tells what is docked. */
  tellsAccess: boolean;
  state: string;
  slide: string;
  travel: number | null;
  access: string | null;
  barrier: boolean | null;
  /** Either handle off its stop. */
  handle: boolean | null;
  /** The last reading of the leaf, however old: out of its frame or in it. */
  lastOut: boolean | null;
  /** Since when the state holds, ms since 1970. */
  since: number | null;
  blind: boolean;
  quality: string;
  alerts: readonly DoorAlert[];
}

export interface SillInput {
  /** Nose to tail. */
  doors: readonly SillDoor[];
  /** Its type is not known: no door can be judged, and which there are cannot be told. */
  untyped?: boolean;
  /** Whether what is known is current: the aircraft is being heard and so is the service. */
  holds: boolean;
  presence: string;
  /** The larger of wind and gust, kt. */
  wind_kt: number | null;
  width: number;
  /** The size of a state's word, px. */
  size: number;
  /** The measure of what is drawn, px: as large as a word, or smaller where words must be read from afar. */
  unit: number;
  /** The least width of a door, px: a gloved finger needs more than an eye. */
  cellMin: number;
  /** Draw neighbouring doors that are closed and locked together, and marks beside names: for a wall, where words are large. */
  together: boolean;
  /** The service's clock, ms since 1970. */
  now: number;
  say: Say;
}

interface Of {
  /** The door that it belongs to; "" is the line itself. */
  door: string;
  class: string;
}

export type Shape =
  | (Of & { shape: "line"; x1: number; y1: number; x2: number; y2: number })
  | (Of & { shape: "rect"; x: number; y: number; w: number; h: number; round: number })
  | (Of & { shape: "path"; d: string })
  | (Of & { shape: "mark"; priority: Priority; x: number; y: number; size: number })
  | (Of & { shape: "text"; x: number; y: number; size: number; anchor: "start" | "middle" | "end"; bold: boolean; text: string });

/** Where a door stands in the drawing, for whoever points at it. */
export interface DoorPlace {
  door: string;
  x: number;
  y: number;
  w: number;
  h: number;
  name: string;
}

export interface Scene {
  width: number;
  height: number;
  /** Into how many lines it was folded. */
  folds: number;
  shapes: readonly Shape[];
  places: readonly DoorPlace[];
}
