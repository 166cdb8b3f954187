// Invented aircraft for the sill line's tests: the doors of each type, nose to tail, and doors in any state.

import type { Shape, SillDoor, SillInput } from "../../monitor/adapters/web/board/src/sill/types.ts";
import english from "../../monitor/adapters/web/board/locales/en.json" with { type: "json" };

const words: Readonly<Record<string, string>> = english;

/** Says English words as the page does, without a page. */
export function say(key: string, places: Readonly<Record<string, string | number>> = {}): string {
  const counted = typeof places["n"] === "number" ? `${key}.${places["n"] === 1 ? "one" : "other"}` : key;
  const text = words[counted];
  if (text === undefined) throw new Error(`no words for ${counted}`);
  return text.replace(/\{(\w+)\}/g, (_, name: string) => String(places[name]));
}

/** Kind, sill in metres, slide, what is docked is told. */
const KINDS: Readonly<Record<string, readonly [string, boolean, boolean]>> = {
  W: ["window", false, false],
  H: ["hatch", false, false],
  O: ["overwing", true, false],
  L: ["cabin", true, true],
  R: ["cabin", true, true],
  C: ["cargo", false, true],
  M: ["main_deck", false, true],
};

const sides = (name: string): SillDoor["side"] =>
  /^(W|O)?L/.test(name) || name.startsWith("M") ? "left" : /R|^C/.test(name) ? "right" : "none";

/** Types by name: their doors nose to tail, and the sills of their kinds, m. */
export const TYPES: Readonly<Record<string, { doors: string; sills: Readonly<Record<string, number>> }>> = {
  alder: { doors: "WL WR L1 R1 H1 H2 CF OL1 OR1 H3 CA L2 R2 CB H4", sills: { W: 4.1, L: 3.4, R: 3.4, H: 1.8, C: 2.5, O: 2.9 } },
  birch: { doors: "WL WR L1 R1 H1 OL1 OR1 CB H2", sills: { W: 2.3, L: 1.9, R: 1.9, H: 1.1, O: 1.7, C: 1.6 } },
  cedar: { doors: "WL WR L1 R1 H1 CF L2 R2 H2 L3 R3 CA CB L4 R4 H3", sills: { W: 6.2, L: 4.9, R: 4.9, H: 2.4, C: 3.1 } },
  hazel: { doors: "WL WR H1 L1 R1 CF L2 R2 CB", sills: { W: 2, L: 1.15, R: 1.15, H: 0.9, C: 1.2 } },
  larch: { doors: "WL WR L1 R1 H1 M1 CF H2 CA CB", sills: { W: 5.3, L: 4.4, R: 4.4, H: 2.1, M: 4.5, C: 2.6 } },
};

export function makeDoor(changes: Partial<SillDoor> = {}): SillDoor {
  return {
    door: "L1",
    kind: "cabin",
    side: "left",
    sill_m: 3.4,
    wind_moved_kt: 40,
    wind_held_kt: 50,
    tellsAccess: true,
    state: "closed_locked",
    slide: "disengaged",
    travel: 0,
    access: "none",
    barrier: null,
    handle: null,
    lastOut: null,
    since: 0,
    blind: false,
    quality: "good",
    alerts: [],
    ...changes,
  };
}

/** Every door of a type, each changed as `change` says. */
export function makeDoors(type: string, change: (name: string, at: number) => Partial<SillDoor> = () => ({})): SillDoor[] {
  const { doors, sills } = TYPES[type] ?? { doors: "", sills: {} };
  return doors.split(" ").map((name, at) => {
    const letter = name.charAt(0);
    const [kind, slide, tellsAccess] = KINDS[letter] ?? ["hatch", false, false];
    const fitted = { door: name, kind, side: sides(name), sill_m: sills[letter] ?? null, tellsAccess };
    return makeDoor({ ...fitted, slide: slide ? "disengaged" : "none", ...change(name, at) });
  });
}

export function makeInput(doors: readonly SillDoor[], changes: Partial<SillInput> = {}): SillInput {
  return {
    doors,
    holds: true,
    presence: "present",
    wind_kt: 12,
    width: 900,
    size: 12,
    unit: 12,
    cellMin: 0,
    together: false,
    now: 24_000,
    say,
    ...changes,
  };
}

export const ofKind = <K extends Shape["shape"]>(shapes: readonly Shape[], shape: K): Extract<Shape, { shape: K }>[] =>
  shapes.filter((each): each is Extract<Shape, { shape: K }> => each.shape === shape);

export const classed = (shapes: readonly Shape[], word: string): Shape[] => shapes.filter((each) => each.class.split(" ").includes(word));
