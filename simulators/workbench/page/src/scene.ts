// Draws one door in section as plain shapes: skin, leaf, handles, lever, slide as hatching, what is docked, the drop.
// Pure: no document, no words, no time. The same door gives the same drawing.

import { hatch, zigzag } from "../../../../monitor/adapters/web/board/src/sill/gate.ts";
import { frameOf, onLeaf, type Frame, type Point } from "./frame.ts";
import type { DoorPart, Slide } from "./wire.ts";

export type Shape =
  | { shape: "line"; class: string; x1: number; y1: number; x2: number; y2: number }
  | { shape: "path"; class: string; d: string }
  | { shape: "dot"; class: string; x: number; y: number; r: number };

export interface Section {
  frame: Frame;
  shapes: Shape[];
  /** The grip of the inside handle and what it turns about; null where the door has none to take hold of. */
  grip: { at: Point; about: Point } | null;
}

const n = (value: number): string => value.toFixed(1);
const outline = (points: readonly Point[]): string => `M${points.map(({ x, y }) => `${n(x)} ${n(y)}`).join("L")}Z`;

const HANDLE_HOME_DEG = -50;
const HANDLE_TURN_DEG = 115;
const LEVER_HOME_DEG = -35;
const LEVER_TURN_DEG = 70;
const WIND_FULL_KT = 60;
/** Heights on the leaf, as shares of its own. */
const HANDLE_UP = 0.64;
const LEVER_UP = 0.36;

/** A stick of `length` that points inwards, turned up by `degrees`. */
function stick(about: Point, length: number, degrees: number, outwards = false): Point {
  const turn = (degrees * Math.PI) / 180;
  return { x: about.x + (outwards ? 1 : -1) * length * Math.cos(turn), y: about.y - length * Math.sin(turn) };
}

/** How far a handle is lifted when its grip is drawn to a point, 0 to 1. */
export function liftedAt(about: Point, at: Point): number {
  const degrees = (Math.atan2(about.y - at.y, about.x - at.x) * 180) / Math.PI;
  return Math.max(0, Math.min(1, (degrees - HANDLE_HOME_DEG) / HANDLE_TURN_DEG));
}

/** Draw a door. */
export function drawSection(door: DoorPart, wind_kt: number, width: number, height: number): Section {
  const frame = frameOf(door, width, height);
  const shapes: Shape[] = [];
  drawGround(frame, shapes);
  drawAccess(door.mechanism.access, frame, shapes);
  drawSkin(frame, shapes);
  if (door.slide !== null) drawSlide(door.slide, frame, shapes);
  if (door.mechanism.barrier) drawBarrier(frame, shapes);
  drawLeaf(door, frame, shapes);
  const grip = drawHandles(door, frame, shapes);
  if (door.slide !== null && !door.slide.always_armed) drawLever(door.slide, frame, shapes);
  drawWind(wind_kt, frame, shapes);
  return { frame, shapes, grip };
}

function drawGround({ width, ground, wall, sill, thick, shortened }: Frame, shapes: Shape[]): void {
  shapes.push({ shape: "line", class: "ground", x1: wall * 0.55, y1: ground, x2: width - 8, y2: ground });
  // The floor of the cabin, as far as the sill.
  shapes.push({ shape: "line", class: "floor", x1: 12, y1: sill, x2: wall - thick, y2: sill });
  const drop = wall + thick * 1.6;
  shapes.push({ shape: "line", class: "measure", x1: drop, y1: sill, x2: drop, y2: ground });
  for (const y of [sill, ground]) shapes.push({ shape: "line", class: "measure", x1: drop - 5, y1: y, x2: drop + 5, y2: y });
  // Drawn shorter than it is: the measure is broken.
  if (shortened) shapes.push({ shape: "path", class: "measure", d: zigzag(drop - 8, drop + 8, (sill + ground) / 2, 7) });
}

function drawSkin({ wall, thick, sill, lintel, metre }: Frame, shapes: Shape[]): void {
  const stub = (y: number, h: number): void => {
    const x = wall - thick;
    shapes.push({ shape: "path", class: "skin", d: `M${n(x)} ${n(y)}H${n(wall)}V${n(y + h)}H${n(x)}Z` });
    shapes.push({ shape: "path", class: "hatch", d: hatch(x, y, thick, h, 6) });
  };
  stub(Math.max(4, lintel - 0.45 * metre), lintel - Math.max(4, lintel - 0.45 * metre));
  stub(sill, 0.5 * metre);
}

function drawLeaf(door: DoorPart, frame: Frame, shapes: Shape[]): void {
  const { thick, sill, lintel, leaf, motion } = frame;
  const tall = sill - lintel;
  const corners: [number, number][] = [[0, 0], [tall, 0], [tall, thick], [0, thick]];
  if (leaf > 0.02) {
    // Where it belongs.
    const home = { ...frame, leaf: 0 };
    shapes.push({ shape: "path", class: "leaf-home", d: outline(corners.map(([up, out]) => onLeaf(home, up, out))) });
  }
  if (leaf > 0.02 && motion === "aside") {
    // The arm that carries it.
    const from = { x: frame.wall - thick / 2, y: sill - 0.55 * tall };
    const to = onLeaf(frame, 0.55 * tall, 0);
    shapes.push({ shape: "line", class: "arm", x1: from.x, y1: from.y, x2: to.x, y2: to.y });
  }
  shapes.push({ shape: "path", class: "leaf", d: outline(corners.map(([up, out]) => onLeaf(frame, up, out))) });
  if (door.mechanism.hold_open) {
    const at = onLeaf(frame, 0.82 * tall, thick / 2);
    shapes.push({ shape: "dot", class: "held", x: at.x, y: at.y, r: 7 });
  }
  if (door.kind === "overwing" && door.mechanism.cover) {
    const [low, high] = [onLeaf(frame, 0.35 * tall, -6), onLeaf(frame, 0.75 * tall, -6)];
    shapes.push({ shape: "line", class: "cover", x1: low.x, y1: low.y, x2: high.x, y2: high.y });
  }
}

function drawHandles(door: DoorPart, frame: Frame, shapes: Shape[]): Section["grip"] {
  const { sill, lintel, thick, metre, motion } = frame;
  const tall = sill - lintel;
  const long = Math.min(0.46 * metre, 0.42 * tall);
  const outside = motion === "up" && door.kind !== "overwing";
  const about = onLeaf(frame, HANDLE_UP * tall, outside ? thick : 0);
  const degrees = HANDLE_HOME_DEG + HANDLE_TURN_DEG * door.mechanism.handle;
  const at = stick(about, long, degrees, outside);
  shapes.push({ shape: "line", class: "handle", x1: about.x, y1: about.y, x2: at.x, y2: at.y });
  shapes.push({ shape: "dot", class: "pivot", x: about.x, y: about.y, r: 4 });
  shapes.push({ shape: "dot", class: "grip", x: at.x, y: at.y, r: 8 });
  if (door.readings.some((reading) => reading.signal === "outside_handle_lifted")) {
    const root = onLeaf(frame, HANDLE_UP * tall, thick);
    const end = stick(root, 0.6 * long, HANDLE_HOME_DEG + HANDLE_TURN_DEG * door.mechanism.outside, true);
    shapes.push({ shape: "line", class: "handle outer", x1: root.x, y1: root.y, x2: end.x, y2: end.y });
  }
  return outside ? null : { at, about };
}

function drawLever(slide: Slide, frame: Frame, shapes: Shape[]): void {
  const { sill, lintel, metre } = frame;
  const about = onLeaf(frame, LEVER_UP * (sill - lintel), 0);
  const end = stick(about, 0.32 * metre, LEVER_HOME_DEG + LEVER_TURN_DEG * (1 - slide.lever));
  shapes.push({ shape: "line", class: "lever", x1: about.x, y1: about.y, x2: end.x, y2: end.y });
  if (slide.pin) {
    // A pin with its streamer.
    shapes.push({ shape: "dot", class: "pin", x: about.x - 6, y: about.y, r: 4 });
    shapes.push({ shape: "path", class: "streamer", d: `M${n(about.x - 6)} ${n(about.y + 4)}q-7 10 0 18t0 18` });
  }
}

function drawSlide(slide: Slide, frame: Frame, shapes: Shape[]): void {
  const { sill, lintel, metre, wall, thick } = frame;
  if (slide.released) {
    drawRun(slide, frame, shapes);
    return;
  }
  const [w, h] = [0.34 * metre, 0.2 * (sill - lintel)];
  // Packed at the foot of the leaf; what is engaged stays with the floor when the leaf goes.
  const foot = slide.always_armed ? { x: wall - thick, y: sill } : onLeaf(frame, 0, 0);
  const [x, y] = [foot.x - w, foot.y - h - 4];
  shapes.push({ shape: "path", class: slide.engaged ? "pack engaged" : "pack", d: `M${n(x)} ${n(y)}h${n(w)}v${n(h)}h${n(-w)}Z` });
  if (slide.engaged) shapes.push({ shape: "path", class: "hatch", d: hatch(x, y, w, h, 7) });
  // The two ends of the girt bar, each held to the floor or not.
  for (const [held, at] of [[slide.left, 0.2], [slide.right, 0.8]] as const) {
    const bar = x + w * at;
    if (held) shapes.push({ shape: "line", class: "girt", x1: bar, y1: y + h, x2: bar, y2: sill });
    shapes.push({ shape: "line", class: held ? "girt" : "girt loose", x1: bar - 6, y1: sill + 5, x2: bar + 6, y2: sill + 5 });
  }
  if (slide.engaged && frame.leaf > 0.02) {
    const threshold = wall - thick;
    shapes.push({ shape: "path", class: "torn", d: zigzag(threshold, Math.max(threshold + 8, x), sill - 3, 8) });
  }
}

function drawRun(slide: Slide, { wall, sill, ground, width, thick, metre }: Frame, shapes: Shape[]): void {
  const away = slide.detached ? 0.9 * metre : 0;
  const [x1, y1] = [wall + away, slide.detached ? ground - 0.2 * metre : sill];
  const full = Math.min(width - 24, wall + away + 2.1 * Math.max(ground - sill, metre));
  const x2 = slide.erect ? full : x1 + (full - x1) * 0.45;
  const y2 = slide.erect || slide.detached ? ground : sill + (ground - sill) * 0.7;
  const deep = 0.22 * metre;
  shapes.push({ shape: "path", class: slide.erect ? "run" : "run limp", d: `M${n(x1)} ${n(y1)}L${n(x2)} ${n(y2 - 4)}V${n(y2 - deep - 4)}L${n(x1 + thick)} ${n(y1 - 4)}Z` });
  const rungs = 11;
  const strokes = Array.from({ length: rungs }, (_, at) => {
    const share = (at + 0.6) / rungs;
    return `M${n(x1 + (x2 - x1) * share)} ${n(y1 + (y2 - 4 - y1) * share)}l${n(0.4 * deep)} ${n(-deep * Math.min(1, share * 3))}`;
  });
  shapes.push({ shape: "path", class: "hatch", d: strokes.join("") });
}

function drawBarrier({ wall, thick, sill, metre }: Frame, shapes: Shape[]): void {
  const x = wall - thick - 0.55 * metre;
  shapes.push({ shape: "line", class: "guard", x1: x, y1: sill, x2: x, y2: sill - 1.05 * metre });
  for (const up of [0.95, 0.5]) shapes.push({ shape: "line", class: "guard", x1: x - 9, y1: sill - up * metre, x2: x + 9, y2: sill - up * metre });
}

function drawAccess(access: string, { wall, sill, ground, width, metre, thick }: Frame, shapes: Shape[]): void {
  if (access === "none") return;
  const near = wall + thick * 0.6;
  const far = Math.min(width - 16, wall + 2.9 * metre);
  const deck = sill + 5;
  const post = (x: number): string => `M${n(x)} ${n(deck)}V${n(ground)}`;
  if (access === "stairs") {
    const steps = 8;
    const [run, rise] = [(far - near - 0.7 * metre) / steps, (ground - deck) / steps];
    const walk = `M${n(near)} ${n(deck)}H${n(near + 0.7 * metre)}${Array.from({ length: steps }, () => `v${n(rise)}h${n(run)}`).join("")}`;
    shapes.push({ shape: "path", class: "docked", d: `${walk}${post(near + 0.3 * metre)}` });
  } else if (access === "bridge") {
    const roof = sill - 2.25 * metre;
    const mast = (near + width) / 2;
    shapes.push({ shape: "path", class: "docked", d: `M${n(near)} ${n(deck)}H${n(width - 8)}${post(mast)}M${n(near + 0.9 * metre)} ${n(roof)}H${n(width - 8)}` });
  } else if (access === "loader") {
    shapes.push({ shape: "path", class: "docked", d: `M${n(near)} ${n(deck)}H${n(far)}M${n(near + 8)} ${n(deck)}L${n(far - 8)} ${n(ground)}M${n(far - 8)} ${n(deck)}L${n(near + 8)} ${n(ground)}` });
  } else {
    shapes.push({ shape: "path", class: "docked", d: `M${n(near)} ${n(deck)}H${n(far)}${post(near + 12)}${post(far - 12)}` });
  }
}

function drawWind(wind_kt: number, { width, wall }: Frame, shapes: Shape[]): void {
  const long = Math.min(1, wind_kt / WIND_FULL_KT) * (width - wall) * 0.55;
  if (long < 6) return;
  const [x, y] = [width - 20, 40];
  shapes.push({ shape: "path", class: "wind", d: `M${n(x)} ${n(y)}h${n(-long)}m9 -6l-9 6l9 6` });
}
