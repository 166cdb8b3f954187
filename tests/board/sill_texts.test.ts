// No two texts of a sill line ever lie upon one another, and none leaves the drawing, at any width.

import assert from "node:assert/strict";
import { test } from "node:test";
import { textWidth } from "../../monitor/adapters/web/board/src/sill/measure.ts";
import { drawSillLine } from "../../monitor/adapters/web/board/src/sill/scene.ts";
import type { Scene, SillDoor, SillInput } from "../../monitor/adapters/web/board/src/sill/types.ts";
import { makeDoors, makeInput, ofKind, TYPES } from "./sill_kit.ts";

interface Box {
  text: string;
  left: number;
  right: number;
  top: number;
  bottom: number;
}

const SLACK = 0.01;

function boxes(scene: Scene): Box[] {
  return ofKind(scene.shapes, "text").map(({ text, x, y, size, anchor, bold }) => {
    const width = textWidth(text, size, bold);
    const left = anchor === "start" ? x : anchor === "end" ? x - width : x - width / 2;
    return { text, left, right: left + width, top: y - 0.8 * size, bottom: y + 0.22 * size };
  });
}

function checkTexts(scene: Scene, what: string): void {
  const all = boxes(scene);
  for (const [at, a] of all.entries()) {
    assert.ok(a.left >= -SLACK && a.right <= scene.width + SLACK, `"${a.text}" leaves the drawing: ${what}`);
    assert.ok(a.top >= -SLACK && a.bottom <= scene.height + SLACK, `"${a.text}" is cut: ${what}`);
    for (const b of all.slice(at + 1)) {
      const apart = a.right <= b.left + SLACK || b.right <= a.left + SLACK || a.bottom <= b.top + SLACK || b.bottom <= a.top + SLACK;
      assert.ok(apart, `"${a.text}" lies on "${b.text}": ${what}`);
    }
  }
}

/** Small numbers from a seed, always the same. */
function* numbers(seed: number): Generator<number, never> {
  let state = seed >>> 0;
  for (;;) {
    state = (Math.imul(state, 1_664_525) + 1_013_904_223) >>> 0;
    yield state >>> 8;
  }
}

const STATES = ["unknown", "closed_locked", "armed", "unlocked", "armed_unlocked", "ajar", "open", "slide_deployed"];
const SLIDES = ["none", "engaged", "disengaged", "disagree", "released", "unknown"];
const ACCESS = [null, "none", "bridge", "stairs", "loader", "platform"];
const ALERTS: readonly SillDoor["alerts"][] = [
  [],
  [{ priority: "advisory", waiting: false, over: false }],
  [{ priority: "warning", waiting: true, over: false }],
  [{ priority: "caution", waiting: true, over: false }, { priority: "advisory", waiting: false, over: false }],
];

function anyDoors(type: string, seed: number): SillDoor[] {
  const draw = numbers(seed);
  const pick = <T,>(list: readonly [T, ...T[]] | readonly T[]): T => list[draw.next().value % list.length] as T;
  return makeDoors(type, () => ({
    state: pick(STATES),
    slide: pick(SLIDES),
    travel: pick([null, 0, 0.4, 1]),
    access: pick(ACCESS),
    barrier: pick([null, true, false]),
    handle: pick([null, true]),
    lastOut: pick([null, true, false]),
    blind: pick([true, false, false]),
    since: pick([0, -400_000, -9_000_000]),
    alerts: pick(ALERTS),
  }));
}

const WIDTHS = Array.from({ length: 33 }, (_, at) => 320 + 50 * at);
const LOOKS: readonly Partial<SillInput>[] = [{}, { holds: false }, { presence: "powered_down" }, { cellMin: 54 }, { size: 13, unit: 13 }];

for (const type of Object.keys(TYPES)) {
  test(`no two texts of ${type} lie upon one another at any width, whatever its doors do`, () => {
    for (const width of WIDTHS) {
      checkTexts(drawSillLine(makeInput(makeDoors(type), { width })), `calm at ${width}`);
      for (let seed = 1; seed <= 4; seed += 1) {
        for (const look of LOOKS) checkTexts(drawSillLine(makeInput(anyDoors(type, seed), { width, ...look })), `seed ${seed} at ${width}`);
      }
    }
  });

  test(`no two texts of ${type} lie upon one another on a wall`, () => {
    for (const width of [1000, 1500, 3000]) {
      const look = { width, together: true, size: width / 33, unit: width / 60 };
      for (let seed = 1; seed <= 12; seed += 1) checkTexts(drawSillLine(makeInput(anyDoors(type, seed), look)), `seed ${seed} on a wall of ${width}`);
    }
  });

  test(`${type} with each door in the worst state there is can be read on a phone`, () => {
    for (const state of ["slide_deployed", "armed_unlocked", "ajar", "unknown"]) {
      const doors = makeDoors(type, () => ({
        state,
        slide: "disagree",
        travel: 0.5,
        access: null,
        handle: true,
        since: -9_000_000,
        lastOut: true,
        alerts: [{ priority: "warning", waiting: true, over: false }],
      }));
      checkTexts(drawSillLine(makeInput(doors, { width: 320 })), `${state} at 320`);
    }
  });
}

test("a wider place is never folded into more lines", () => {
  for (const type of Object.keys(TYPES)) {
    const folds = WIDTHS.map((width) => drawSillLine(makeInput(makeDoors(type), { width })).folds);
    for (const [at, count] of folds.entries()) assert.ok(at === 0 || count <= (folds[at - 1] ?? 0), `${type}: ${folds.join(" ")}`);
    assert.equal(folds.at(-1), 1);
  }
});
