// Lays an aircraft's doors out on one line, nose to tail, folded where the room is short, and draws it as plain shapes.
// Pure: no document, no time, no words but those handed in. The same input gives the same drawing.

import { drawGate, wellDepth, zigzag } from "./gate.ts";
import { breaks, fit, narrowest, textWidth } from "./measure.ts";
import { readDoor, wordDoor, type Reading, type Words } from "./reading.ts";
import { sayDoor, sayNoDoors } from "./describe.ts";
import type { DoorPlace, Scene, Shape, SillDoor, SillInput } from "./types.ts";
import type { Priority } from "../wire.ts";

// In sizes of a word, from the top of a line down; what belongs to the gates in the drawing's own measure.
const MARK = 1.95;
const MARK_BESIDE = 1.15;
const NAME_AT = 3.15;
const NAME_AT_BESIDE = 1.1;
const NAME_BELOW = 0.3;
const GATE_ABOVE = 1.6;
const WORDS_BELOW = 1.5;
const WORDS_BELOW_CLOSE = 1.3;
const LINE_STEP = 1.22;
const BOTTOM = 0.75;
const BOTTOM_CLOSE = 0.4;
/** Lines of words that room is kept for, so that a door that opens moves nothing; of many folds, one each. */
const LINES_KEPT = 2;
const FOLDS_MANY = 3;
const LINES_MAX = 5;
const ZONE_MIN = 1.5;
const LEAD = 2.3;
const BETWEEN = 0.45;
const SIDE_ROOM = 1.05;
const NAME_SIZE = 0.92;
const MORE_SIZE = 0.9;
const EDGE_SIZE = 0.82;

const SMALL_KINDS = new Set(["window", "hatch", "overwing"]);
const URGENCY: Record<Priority, number> = { warning: 0, caution: 1, advisory: 2 };

/** One door, or a run of doors that are drawn together. */
interface Cell {
  doors: { door: SillDoor; reading: Reading }[];
  words: Words;
  bold: boolean;
  /** The least width in which its texts can stand, a word a line. */
  least: number;
  /** The width in which its state stands in two lines. */
  wish: number;
  weight: number;
}

/** The worst alert of a door. */
export function worstOf(door: SillDoor): SillDoor["alerts"][number] | null {
  return [...door.alerts].sort((a, b) => Number(a.over) - Number(b.over) || URGENCY[a.priority] - URGENCY[b.priority] || Number(b.waiting) - Number(a.waiting))[0] ?? null;
}

function makeCell(doors: Cell["doors"], input: SillInput): Cell {
  const { size: e, say } = input;
  const [first] = doors;
  if (first === undefined) throw new RangeError("a cell has a door");
  if (doors.length > 1) {
    const words = { state: [sayTogether(doors, say)], more: [] };
    const gates = doors.length * 1.05 * input.unit;
    const least = Math.max(gates, widthOf(narrowest(words.state, e, false), e, false) + BETWEEN * e);
    const wish = Math.max(gates, textWidth(words.state[0] ?? "", e, false) + BETWEEN * e);
    return { doors, words, bold: false, least, wish, weight: doors.length * 0.6 };
  }
  const { door, reading } = first;
  const words = wordDoor(door, reading, input);
  const small = SMALL_KINDS.has(door.kind);
  const bold = reading.tone === "notable" || door.alerts.length > 0;
  const needs = [
    (small ? 3.4 : 4.3) * input.unit,
    input.cellMin,
    textWidth(door.door, NAME_SIZE * e, true) + (SIDE_ROOM + BETWEEN + (input.together && door.alerts.length > 0 ? 2 * MARK_BESIDE : 0)) * e,
    widthOf(narrowest(words.state, e, bold), e, bold) + (BETWEEN + (bold ? 0.4 : 0)) * e,
    ...words.more.map((phrases) => widthOf(narrowest(phrases, MORE_SIZE * e, false), MORE_SIZE * e, false) + BETWEEN * e),
  ];
  const least = Math.max(...needs);
  const wish = Math.max(least, inTwo(words.state[0] ?? "", e, bold) + (BETWEEN + (bold ? 0.4 : 0)) * e);
  return { doors, words, bold, least, wish, weight: door.kind === "main_deck" ? 1.5 : small ? 0.75 : 1 };
}

const widthOf = (lines: readonly string[], size: number, bold: boolean): number =>
  Math.max(0, ...lines.map((line) => textWidth(line, size, bold)));

/** How wide a phrase is that may be broken once. */
const inTwo = (phrase: string, size: number, bold: boolean): number => {
  const ways = breaks(phrase, size, bold);
  return widthOf(ways[1] ?? ways[0] ?? [], size, bold);
};

/** "7 locked, 4 armed": each word for as many as it is true of. */
function sayTogether(doors: Cell["doors"], say: SillInput["say"]): string {
  const armed = doors.filter(({ door }) => door.state === "armed").length;
  const counts: [string, number][] = [["closed_locked", doors.length - armed], ["armed", armed]];
  return counts.filter(([, n]) => n > 0).map(([state, n]) => say(`sill.together.${state}`, { n })).join(", ");
}

/** Put neighbours that are closed and locked together; the hatching tells which of them are armed. */
function gatherCells(input: SillInput): Cell[] {
  const read = input.doors.map((door) => ({ door, reading: readDoor(door, input) }));
  if (!input.together) return read.map((each) => makeCell([each], input));
  const runs: Cell["doors"][] = [];
  for (const each of read) {
    const run = runs.at(-1);
    const joins = ({ door, reading }: Cell["doors"][number]): boolean =>
      reading.tone === "calm" && door.alerts.length === 0 && reading.docked === null;
    if (run !== undefined && run.every(joins) && joins(each)) run.push(each);
    else runs.push([each]);
  }
  return runs.map((run) => makeCell(run, input));
}

/** Fold cells into the fewest lines that fit, as even as they can be. */
function fold(cells: readonly Cell[], width: number): Cell[][] {
  const pack = (room: number): Cell[][] => {
    const lines: Cell[][] = [[]];
    let used = 0;
    for (const cell of cells) {
      if (used > 0 && used + cell.least > room) {
        lines.push([]);
        used = 0;
      }
      lines.at(-1)?.push(cell);
      used += cell.least;
    }
    return lines;
  };
  const count = pack(width).length;
  let [low, high] = [0, width];
  for (let round = 0; round < 24; round += 1) {
    const middle = (low + high) / 2;
    if (pack(middle).length > count) low = middle;
    else high = middle;
  }
  return pack(high);
}

/** Give each cell the width it wishes for as long as there is any left: first to those that matter. */
function ease(cells: readonly Cell[], width: number): Cell[] {
  let spare = width - cells.reduce((sum, cell) => sum + cell.least, 0);
  const first = [...cells].sort((a, b) => Number(b.bold) - Number(a.bold));
  const granted = new Set<Cell>();
  for (const cell of first) {
    if (cell.wish - cell.least > spare) continue;
    spare -= cell.wish - cell.least;
    granted.add(cell);
  }
  return cells.map((cell) => (granted.has(cell) ? { ...cell, least: cell.wish } : cell));
}

/** Draw a line of which no door is known: torn from end to end, with why. */
function drawNothing(input: SillInput): Scene {
  const { size: e, unit, width } = input;
  const phrases = [sayNoDoors(input)];
  const said = fit(phrases, { width, lines: LINES_MAX, size: e, bold: true }) ?? narrowest(phrases, e, true);
  const y = 0.8 * unit;
  const of = { door: "", class: "word unknown" } as const;
  const shapes: Shape[] = [{ door: "", shape: "path", class: "torn", d: zigzag(0, width, y, 0.5 * unit) }];
  for (const [at, text] of said.entries()) {
    shapes.push({ ...of, shape: "text", x: 0, y: y + unit + (0.8 + at * LINE_STEP) * e, size: e, anchor: "start", bold: true, text });
  }
  return { width, height: Math.ceil(y + unit + (0.8 + (said.length - 1) * LINE_STEP + BOTTOM_CLOSE) * e), folds: 1, shapes, places: [] };
}

/** Draw an aircraft's doors. */
export function drawSillLine(input: SillInput): Scene {
  if (input.doors.length === 0) return drawNothing(input);
  const { size: e } = input;
  const cells = gatherCells(input);
  const roomy = cells.reduce((sum, cell) => sum + cell.wish, 0) + 2 * LEAD * e <= input.width;
  const lead = (roomy ? LEAD : 0.4) * e;
  const room = input.width - 2 * lead;
  const lines = fold(cells, room).map((line) => ease(line, room));
  // Windows stand high and nobody goes through them: only an open one needs the room.
  const zone = Math.max(
    ZONE_MIN * input.unit,
    ...input.doors
      .filter((door) => door.kind !== "window" || readDoor(door, input).leaf === "out")
      .map((door) => wellDepth(door.sill_m, input.unit)),
  );
  const shapes: Shape[] = [];
  const places: DoorPlace[] = [];
  let top = 0;
  for (const [at, line] of lines.entries()) {
    const drawn = drawLine(line, input, { top, lead, zone, folds: lines.length, first: at === 0, last: at === lines.length - 1 });
    shapes.push(...drawn.shapes);
    places.push(...drawn.places);
    top += drawn.height;
  }
  return { width: input.width, height: Math.ceil(top), folds: lines.length, shapes, places };
}

interface Frame {
  top: number;
  lead: number;
  zone: number;
  folds: number;
  first: boolean;
  last: boolean;
}

function drawLine(cells: readonly Cell[], input: SillInput, frame: Frame): { shapes: Shape[]; places: DoorPlace[]; height: number } {
  const { size: e, unit, width, say } = input;
  const { top, lead, zone } = frame;
  const nameAt = top + (input.together ? NAME_AT_BESIDE : NAME_AT) * e;
  const y = nameAt + NAME_BELOW * e + GATE_ABOVE * unit;
  const [below, bottom] = input.together ? [WORDS_BELOW_CLOSE, BOTTOM_CLOSE] : [WORDS_BELOW, BOTTOM];
  const hollow = !input.holds || input.presence === "powered_down" || input.presence === "away";
  const spare = Math.max(0, width - 2 * lead - cells.reduce((sum, cell) => sum + cell.least, 0));
  const weights = cells.reduce((sum, cell) => sum + cell.weight, 0);
  const shapes: Shape[] = [];
  const behind: Shape[] = [];
  const places: DoorPlace[] = [];
  const line = (x1: number, x2: number): void => {
    if (x2 > x1) behind.push({ door: "", shape: "line", class: hollow ? "sill-hollow" : "sill", x1, y1: y, x2, y2: y });
  };
  const edge = (x: number, anchor: "start" | "end", key: string): void => {
    shapes.push({ door: "", shape: "text", class: "edge", x, y: y + 0.28 * e, size: EDGE_SIZE * e, anchor, bold: false, text: say(key) });
  };
  const labelled = lead >= LEAD * e;
  let reached = labelled && frame.first ? lead : 0;
  if (labelled && frame.first) edge(0, "start", "sill.nose");
  if (labelled && frame.last) edge(width, "end", "sill.tail");
  let x = lead;
  let lineCount = input.together || frame.folds >= FOLDS_MANY ? 1 : LINES_KEPT;
  for (const cell of cells) {
    const w = cell.least + (spare * cell.weight) / weights;
    const share = w / cell.doors.length;
    for (const [at, { door, reading }] of cell.doors.entries()) {
      const middle = x + share * (at + 0.5);
      const gate = gateWidth(door, share, unit, cell.doors.length > 1);
      line(reached, middle - gate / 2);
      reached = middle + gate / 2;
      shapes.push(...drawGate(door, reading, { x: middle - gate / 2, w: gate, y, e: unit, zone }, input.wind_kt));
      if (cell.doors.length === 1) shapes.push(...drawHead(door, reading, { middle, nameAt, e, beside: input.together }));
    }
    const drawn = drawWords(cell, x + w / 2, w, y + zone + below * e, e);
    behind.push(...drawn.behind);
    shapes.push(...drawn.shapes);
    lineCount = Math.max(lineCount, drawn.lines);
    for (const [at, { door, reading }] of cell.doors.entries()) {
      places.push({ door: door.door, x: x + share * at, y: top, w: share, h: 0, name: sayDoor(door, reading, input) });
    }
    x += w;
  }
  line(reached, labelled && frame.last ? width - lead : width);
  const height = y - top + zone + (below + (lineCount - 1) * LINE_STEP + bottom) * e;
  return { shapes: [...behind, ...shapes], places: places.map((place) => ({ ...place, h: height })), height };
}

function gateWidth(door: SillDoor, share: number, e: number, run: boolean): number {
  if (run) return Math.min(share * 0.62, 2.4 * e);
  const small = SMALL_KINDS.has(door.kind);
  const most = door.kind === "main_deck" ? 8 * e : small ? 2.5 * e : 4.6 * e;
  return Math.min(share * (small ? 0.5 : 0.66), most);
}

/** The alert's mark, the door's name, and on which side of the aircraft it is. */
function drawHead(
  door: SillDoor,
  reading: Reading,
  { middle, nameAt: y, e, beside }: { middle: number; nameAt: number; e: number; beside: boolean },
): Shape[] {
  const shapes: Shape[] = [];
  const of = { door: door.door };
  const size = NAME_SIZE * e;
  const name = textWidth(door.door, size, true);
  const left = middle - name / 2;
  const worst = worstOf(door);
  if (worst !== null) {
    const kind = `mark ${worst.priority}${worst.waiting ? " waiting" : ""}${worst.over ? " over" : ""}`;
    const count = !beside && door.alerts.length > 1 ? `+${door.alerts.length - 1}` : "";
    const room = count === "" ? 0 : textWidth(count, EDGE_SIZE * e, true) + 0.2 * e;
    const at = beside
      ? { x: left - (SIDE_ROOM * 0.62 + MARK_BESIDE / 2) * e, y: y - 0.34 * e, size: MARK_BESIDE * e }
      : { x: middle - room / 2, y: y + (MARK / 2 + 0.05 - NAME_AT) * e, size: MARK * e };
    shapes.push({ ...of, shape: "mark", class: kind, priority: worst.priority, ...at });
    if (count !== "") {
      const foot = { x: at.x + at.size / 2 + 0.2 * e, y: at.y + 0.3 * e };
      shapes.push({ ...of, shape: "text", class: "count", ...foot, size: EDGE_SIZE * e, anchor: "start", bold: true, text: count });
    }
  }
  const kind = `name ${reading.tone}`;
  shapes.push({ ...of, shape: "text", class: kind, x: middle, y, size, anchor: "middle", bold: true, text: door.door });
  if (door.side !== "none") {
    // A wedge that points to the door's own side, as somebody sees it who looks towards the nose.
    const sign = door.side === "left" ? -1 : 1;
    const tip = sign < 0 ? left - 0.52 * e : left + name + 0.52 * e;
    const d = `M${tip.toFixed(1)} ${(y - 0.34 * e).toFixed(1)}l${(-sign * 0.36 * e).toFixed(1)} ${(-0.24 * e).toFixed(1)}v${(0.48 * e).toFixed(1)}z`;
    shapes.push({ ...of, shape: "path", class: `side ${reading.tone}`, d });
  }
  return shapes;
}

/** What is said below a gate, in as many lines as it takes; a warning that nobody has taken up stands on its own ground. */
function drawWords(cell: Cell, middle: number, width: number, y: number, e: number): { behind: Shape[]; shapes: Shape[]; lines: number } {
  const [first] = cell.doors;
  if (first === undefined) return { behind: [], shapes: [], lines: 0 };
  const { door, reading } = first;
  const run = cell.doors.length > 1;
  const worst = run ? null : worstOf(door);
  const room = width - BETWEEN * e - (cell.bold ? 0.4 * e : 0);
  const state =
    fit(cell.words.state, { width: room, lines: 3, size: e, bold: cell.bold }) ?? narrowest(cell.words.state, e, cell.bold);
  const tone = worst === null || worst.over ? reading.tone : `${reading.tone} ${worst.priority}${worst.waiting ? " waiting" : ""}`;
  const shapes: Shape[] = [];
  const behind: Shape[] = [];
  const of = { door: run ? "" : door.door };
  if (worst !== null && worst.waiting && worst.priority !== "advisory") {
    const w = Math.min(widthOf(state, e, cell.bold) + 0.9 * e, width);
    const h = (state.length * LINE_STEP + 0.12) * e;
    behind.push({ ...of, shape: "rect", class: `plate ${worst.priority}`, x: middle - w / 2, y: y - e, w, h, round: 0.2 * e });
  }
  let below = y;
  for (const text of state) {
    shapes.push({ ...of, shape: "text", class: `word ${tone}`, x: middle, y: below, size: e, anchor: "middle", bold: cell.bold, text });
    below += LINE_STEP * e;
  }
  if (behind.length > 0) below += 0.2 * e;
  const size = MORE_SIZE * e;
  const left = LINES_MAX - state.length;
  for (const phrases of cell.words.more) {
    const said = fit(phrases, { width: width - BETWEEN * e, lines: left, size, bold: false }) ?? narrowest(phrases, size, false);
    for (const text of said) {
      shapes.push({ ...of, shape: "text", class: `more ${reading.tone}`, x: middle, y: below, size, anchor: "middle", bold: false, text });
      below += LINE_STEP * e;
    }
  }
  return { behind, shapes, lines: (below - y) / (LINE_STEP * e) };
}
