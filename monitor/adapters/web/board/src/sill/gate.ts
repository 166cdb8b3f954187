// Draws one gate: posts, leaf, well, what is docked, the guard, the slide, the handle. Lengths are px; `e` is
// the size of a word. All sills lie on one line, so that what differs is the drop below it.

import type { Reading } from "./reading.ts";
import type { Shape, SillDoor } from "./types.ts";

/** Depth of a well, in sizes of a word for each metre of drop. */
export const DEPTH_PER_M = 0.75;
/** How far a post's head leans at the limit of the wind, in sizes of a word; it leans no further than at 1.5 times. */
const LEAN_AT_LIMIT = 0.85;
const LEAN_MAX = 1.5;
const POST_UP = 1.45;
const POST_DOWN = 0.32;
/** Drop that is drawn where none is known, in sizes of a word; its ground is drawn torn. */
const DEPTH_UNKNOWN = 1.6;

export interface Gate {
  x: number;
  w: number;
  /** The line. */
  y: number;
  e: number;
  /** How deep a shut door's ground is drawn at most: below that stand the words. */
  zone: number;
}

const n = (value: number): string => value.toFixed(1);

/** How deep the well of a drop is, px. */
export const wellDepth = (sill_m: number | null, e: number): number =>
  sill_m === null ? DEPTH_UNKNOWN * e : Math.max(sill_m, 0) * DEPTH_PER_M * e;

/** A jagged stroke from x1 to x2 about y. */
export function zigzag(x1: number, x2: number, y: number, height: number): string {
  const steps = Math.max(4, Math.round((x2 - x1) / height));
  const points = Array.from({ length: steps + 1 }, (_, at) => {
    const x = x1 + ((x2 - x1) * at) / steps;
    const up = at === 0 || at === steps ? 0 : at % 2 === 0 ? height / 2 : -height / 2;
    return `${n(x)} ${n(y + up)}`;
  });
  return `M${points.join("L")}`;
}

/** Slanting strokes that fill a rectangle. */
export function hatch(x: number, y: number, w: number, h: number, step: number): string {
  const strokes: string[] = [];
  for (let at = step * 0.5 - h; at < w; at += step) {
    const from = Math.max(at, 0);
    const to = Math.min(at + h, w);
    if (to > from) strokes.push(`M${n(x + from)} ${n(y + h - (from - at))}L${n(x + to)} ${n(y + h - (to - at))}`);
  }
  return strokes.join("");
}

/** How far the posts' heads lean, px: in proportion to the wind over the door's limit. Null where that is not known. */
export function lean(door: SillDoor, wind_kt: number | null, e: number): number | null {
  const limit = door.state === "open" ? (door.wind_held_kt ?? door.wind_moved_kt) : door.wind_moved_kt;
  if (wind_kt === null || limit === null || limit <= 0) return null;
  return Math.min(wind_kt / limit, LEAN_MAX) * LEAN_AT_LIMIT * e;
}

/** Draw one door's gate. */
export function drawGate(door: SillDoor, reading: Reading, gate: Gate, wind_kt: number | null): Shape[] {
  const { x, w, y, e } = gate;
  const shapes: Shape[] = [];
  const of = { door: door.door };
  const line = (kind: string, x1: number, y1: number, x2: number, y2: number): void => {
    shapes.push({ ...of, shape: "line", class: kind, x1, y1, x2, y2 });
  };
  const path = (kind: string, d: string): void => {
    shapes.push({ ...of, shape: "path", class: kind, d });
  };
  const depth = wellDepth(door.sill_m, e);
  const hollow = reading.tone === "unknown" || reading.tone === "off";

  drawWell(door, reading, gate, depth, shapes);
  if (reading.docked !== null) path(`docked ${reading.docked}`, drawDocked(reading.docked, gate, depth));
  drawSlide(reading, gate, depth, of.door, shapes);

  // The posts. Wind is drawn where a leaf can catch it; where it cannot be told, the posts are broken.
  const catches = reading.leaf === "out" && door.state !== "slide_deployed";
  const leaning = catches ? lean(door, wind_kt, e) : 0;
  const post = hollow ? `post-hollow ${reading.tone}` : leaning === null ? "post-broken" : reading.doubtful ? "post-broken" : "post";
  for (const foot of [x, x + w]) line(post, foot, y + POST_DOWN * e, foot + (leaning ?? 0), y - POST_UP * e);

  if (reading.tone === "off") {
    line("leaf-off", x, y, x + w, y);
  } else if (reading.leaf === "unknown") {
    path("torn", zigzag(x, x + w, y, 0.5 * e));
  } else if (reading.leaf === "out" && reading.gap === null) {
    // Out of its frame, nobody knows how far: two torn ends.
    const end = 0.24 * w;
    path("torn", zigzag(x, x + end, y, 0.5 * e) + zigzag(x + w - end, x + w, y, 0.5 * e));
  } else {
    drawLeaf(door, reading, gate, shapes);
  }
  if (reading.guarded) {
    line("guard", x - 0.2 * e, y - 0.95 * e, x + w + 0.2 * e, y - 0.95 * e);
    line("guard", x - 0.2 * e, y - 0.5 * e, x + w + 0.2 * e, y - 0.5 * e);
  }
  return shapes;
}

function drawLeaf(door: SillDoor, reading: Reading, { x, w, y, e }: Gate, shapes: Shape[]): void {
  const leaf = w * (1 - (reading.gap ?? 0));
  const of = { door: door.door };
  const kind = reading.doubtful ? "leaf-doubtful" : "leaf";
  const free = door.state === "unlocked" || door.state === "armed_unlocked";
  // A leaf that nothing holds in its frame does not reach its posts.
  const slack = free ? 0.3 * e : 0;
  if (leaf - 2 * slack > 0.05 * e) {
    const h = 0.42 * e;
    shapes.push({ ...of, shape: "rect", class: kind, x: x + slack, y: y - h / 2, w: leaf - 2 * slack, h, round: 0 });
  }
  if (reading.handleUp) {
    const foot = x + w * 0.42;
    shapes.push({ ...of, shape: "line", class: "handle", x1: foot, y1: y, x2: foot + 0.7 * e, y2: y - 1.5 * e });
  }
}

function drawWell(door: SillDoor, reading: Reading, { x, w, y, e, zone }: Gate, depth: number, shapes: Shape[]): void {
  const of = { door: door.door };
  const ground = y + depth;
  const out = reading.leaf === "out";
  if (out) {
    // The leaf draws back towards the nose; what it uncovers is the drop.
    const gap = w * (reading.gap ?? 1);
    const kind = reading.gap === null ? "well torn-well" : "well";
    shapes.push({ ...of, shape: "rect", class: kind, x: x + w - gap, y, w: gap, h: depth, round: 0 });
  }
  const kind = door.sill_m === null ? "ground torn-ground" : out ? "ground near" : "ground";
  if (reading.tone !== "off" && (out || (door.sill_m !== null && depth <= zone))) {
    const wide = out ? 0.25 * e : -0.1 * w;
    shapes.push({ ...of, shape: "line", class: kind, x1: x - wide, y1: ground, x2: x + w + wide, y2: ground });
  }
}

function drawDocked(docked: string, { x, w, y, e }: Gate, depth: number): string {
  const ground = y + depth;
  const deck = y + Math.min(0.45 * e, depth / 3);
  const middle = x + w / 2;
  const [left, right] = [x + 0.12 * w, x + 0.88 * w];
  switch (docked) {
    case "bridge":
      // A floor right across, on one column.
      return `M${n(x)} ${n(deck)}H${n(x + w)}M${n(middle)} ${n(deck)}V${n(ground)}M${n(middle - 0.18 * w)} ${n(ground)}H${n(middle + 0.18 * w)}`;
    case "own_stairs":
    case "stairs": {
      const steps = 4;
      const [run, rise] = [(right - left) / steps, (ground - deck) / steps];
      return `M${n(left)} ${n(deck)}${Array.from({ length: steps }, () => `h${n(run)}v${n(rise)}`).join("")}`;
    }
    case "loader":
      // A deck on scissors.
      return `M${n(x)} ${n(deck)}H${n(x + w)}M${n(left)} ${n(deck)}L${n(right)} ${n(ground)}M${n(right)} ${n(deck)}L${n(left)} ${n(ground)}`;
    default:
      // A deck on two legs.
      return `M${n(x)} ${n(deck)}H${n(x + w)}M${n(left)} ${n(deck)}V${n(ground)}M${n(right)} ${n(deck)}V${n(ground)}`;
  }
}

function drawSlide(reading: Reading, { x, w, y, e }: Gate, depth: number, door: string, shapes: Shape[]): void {
  const [top, h] = [y + 0.42 * e, 0.8 * e];
  switch (reading.slide) {
    case "none":
      return;
    case "engaged":
      shapes.push({ door, shape: "rect", class: "slide", x, y: top, w, h, round: 0 });
      shapes.push({ door, shape: "path", class: "hatch", d: hatch(x, top, w, h, 0.42 * e) });
      return;
    case "disagree":
      // Half of it says engaged, half does not.
      shapes.push({ door, shape: "rect", class: "slide-torn", x, y: top, w, h, round: 0 });
      shapes.push({ door, shape: "path", class: "hatch", d: hatch(x, top, w / 2, h, 0.42 * e) });
      shapes.push({ door, shape: "path", class: "torn", d: zigzag(x + w / 2, x + w, top + h / 2, 0.4 * e) });
      return;
    case "released": {
      // From the sill to the ground, as wide as a slide looks from the side.
      const [thick, foot] = [0.75 * e, x + w + 0.1 * e];
      const [x1, y1, x2, y2] = [x + 0.1 * w, y + 0.2 * e, foot, Math.max(y + depth, y + 1.4 * e)];
      const rungs = Array.from({ length: 9 }, (_, at) => {
        const part = (at + 0.5) / 9;
        const [sx, sy] = [x1 + (x2 - thick - x1) * part, y1 + (y2 - y1) * part];
        return `M${n(sx)} ${n(sy)}l${n(thick)} ${n(-0.25 * e)}`;
      });
      shapes.push({
        door,
        shape: "path",
        class: "run",
        d: `M${n(x1)} ${n(y1)}L${n(x2 - thick)} ${n(y2)}H${n(x2)}L${n(x1 + thick)} ${n(y1)}Z`,
      });
      shapes.push({ door, shape: "path", class: "hatch", d: rungs.join("") });
      return;
    }
    case "unknown":
      shapes.push({ door, shape: "rect", class: "slide-hollow", x, y: top, w, h, round: 0 });
  }
}
