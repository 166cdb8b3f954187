// What the sill line draws, and above all what it never draws: an unknown door as if it were shut.

import assert from "node:assert/strict";
import { test } from "node:test";
import { describeSillLine } from "../../monitor/adapters/web/board/src/sill/describe.ts";
import { lean, wellDepth } from "../../monitor/adapters/web/board/src/sill/gate.ts";
import { textWidth } from "../../monitor/adapters/web/board/src/sill/measure.ts";
import { shrinkLine } from "../../monitor/adapters/web/board/src/sill/shrink.ts";
import { drawSillLine } from "../../monitor/adapters/web/board/src/sill/scene.ts";
import type { Shape, SillDoor } from "../../monitor/adapters/web/board/src/sill/types.ts";
import { classed, makeDoor, makeDoors, makeInput, ofKind, TYPES } from "./sill_kit.ts";

const STATES = ["unknown", "closed_locked", "armed", "unlocked", "armed_unlocked", "ajar", "open", "slide_deployed", "a word of a later version"];
const SLIDES = ["none", "engaged", "disengaged", "disagree", "released", "unknown", "a word of a later version"];
const TRAVELS = [null, 0, 0.3, 1, -1, 7];
const FEEDS = [true, false];
/** Classes that only something known may be drawn in. */
const CALM = ["leaf", "post", "calm", "notable", "well", "hatch", "slide", "docked", "handle", "guard"];

const draw = (door: Partial<SillDoor>, changes: Parameters<typeof makeInput>[1] = {}): readonly Shape[] =>
  drawSillLine(makeInput([makeDoor(door)], changes)).shapes;

function* everyDoor(): Generator<{ door: Partial<SillDoor>; holds: boolean }> {
  for (const state of STATES)
    for (const slide of SLIDES)
      for (const travel of TRAVELS)
        for (const holds of FEEDS)
          for (const handle of [null, true]) yield { door: { state, slide, travel, handle }, holds };
}

test("a line of no known door is torn from end to end and says why, at any width", () => {
  for (const [untyped, why] of [[true, "its type is not known: no door can be judged"], [false, "no door is known yet"]] as const) {
    for (const width of [260, 900]) {
      const input = makeInput([], { untyped, width });
      const { shapes } = drawSillLine(input);
      assert.equal(classed(shapes, "torn").length, 1);
      for (const kind of [...CALM, "sill"]) assert.deepEqual(classed(shapes, kind), [], kind);
      assert.equal(ofKind(shapes, "text").map((each) => each.text).join(" "), why);
      assert.ok(ofKind(shapes, "text").every((each) => textWidth(each.text, each.size, each.bold) <= width));
      assert.equal(describeSillLine(input), why);
    }
  }
});

test("a line that would be too high is drawn smaller, with all its doors", () => {
  const doors = makeDoors("cedar", () => ({ state: "ajar", travel: 0.4, since: 0 }));
  const input = makeInput(doors, { width: 1500, size: 46, unit: 24, together: true });
  const whole = drawSillLine(input);
  assert.deepEqual(shrinkLine(input, whole.height), input);
  const shrunk = shrinkLine(input, whole.height * 0.8);
  assert.ok(shrunk.size < input.size && drawSillLine(shrunk).height <= whole.height * 0.8);
  assert.equal(drawSillLine(shrinkLine(input, 0)).places.length, doors.length);
});

test("the gap is as wide a part of the gate as the leaf has travelled", () => {
  const gate = ofKind(draw({ state: "closed_locked" }), "rect").find((each) => each.class === "leaf");
  assert.ok(gate);
  for (const travel of [0.1, 0.25, 0.5, 0.9]) {
    const rects = ofKind(draw({ state: "ajar", travel, access: null, tellsAccess: false }), "rect");
    const [leaf, well] = [rects.find((each) => each.class === "leaf"), rects.find((each) => each.class === "well")];
    assert.ok(leaf && well);
    assert.ok(Math.abs(well.w - gate.w * travel) < 0.01, `the gap at ${travel}`);
    assert.ok(Math.abs(leaf.w - gate.w * (1 - travel)) < 0.01, `the leaf at ${travel}`);
    assert.equal(Math.round(leaf.x + leaf.w), Math.round(well.x));
  }
});

test("an open door at full travel has no leaf in its gate", () => {
  assert.deepEqual(classed(draw({ state: "open", travel: 1 }), "leaf"), []);
});

test("the well is as deep as the drop, and deeper for a deeper one", () => {
  const sills = [0.5, 1.15, 2.5, 3.4, 4.9];
  const depths = sills.map((sill_m) => {
    const [well] = ofKind(draw({ state: "open", travel: 1, sill_m }), "rect").filter((each) => each.class === "well");
    assert.ok(well);
    return well.h;
  });
  for (const [at, depth] of depths.entries()) {
    assert.ok(Math.abs(depth / (sills[at] ?? 1) - wellDepth(1, 12)) < 0.01);
    assert.ok(at === 0 || depth > (depths[at - 1] ?? 0));
  }
});

test("a drop that is not known has a torn ground", () => {
  assert.equal(classed(draw({ state: "open", travel: 1, sill_m: null }), "torn-ground").length, 1);
});

test("an open or ajar door of unknown travel is torn, and has no leaf", () => {
  for (const state of ["ajar", "open"]) {
    for (const travel of [null, -1, 7]) {
      const shapes = draw({ state, travel });
      assert.ok(classed(shapes, "torn").length > 0, `${state} at ${travel}`);
      assert.deepEqual(classed(shapes, "leaf"), []);
    }
  }
});

test("a door that reads shut and travelled at once is torn, and not calm", () => {
  const shapes = draw({ state: "closed_locked", travel: 0.8 });
  assert.equal(classed(shapes, "leaf").length, 0);
  assert.ok(classed(shapes, "torn").length > 0);
  assert.equal(classed(shapes, "calm").length, 0);
});

test("what is unknown is never drawn in a calm class, whatever else is known", () => {
  let looked = 0;
  for (const { door, holds } of everyDoor()) {
    const known = holds && STATES.slice(1, -1).includes(door.state ?? "");
    if (known || door.state === "slide_deployed") continue;
    const shapes = draw({ ...door, access: "bridge", barrier: true }, { holds }).filter((each) => each.door !== "");
    for (const word of CALM) assert.deepEqual(classed(shapes, word), [], `${word} for ${JSON.stringify({ door, holds })}`);
    assert.ok(classed(shapes, "torn").length > 0);
    assert.ok(ofKind(shapes, "text").some((each) => each.class.includes("word") && each.class.includes("unknown")));
    looked += 1;
  }
  assert.ok(looked > 500);
});

test("an unknown slide of a known door is hollow, and the door is not calm", () => {
  for (const state of ["closed_locked", "armed", "unlocked", "open"]) {
    const shapes = draw({ state, slide: "unknown", travel: 1 * Number(state === "open") });
    assert.equal(classed(shapes, "slide-hollow").length, 1);
    assert.equal(classed(shapes, "hatch").length, 0);
    assert.equal(classed(shapes, "calm").length, 0);
  }
});

test("a released slide outlives a lost feed, as one that nobody sees now", () => {
  const shapes = draw({ state: "slide_deployed", slide: "released" }, { holds: false });
  assert.equal(classed(shapes, "run").length, 1);
  assert.equal(classed(shapes, "calm").length, 0);
  assert.ok(classed(shapes, "torn").length > 0);
});

test("powered down and away show neither leaves nor words that judge", () => {
  for (const presence of ["powered_down", "away"]) {
    const shapes = draw({ state: "unknown" }, { presence });
    for (const word of [...CALM, "torn"]) assert.deepEqual(classed(shapes, word), []);
    assert.ok(classed(shapes, "off").length > 0);
  }
});

test("an engaged slide is hatched, a doubtful one by half, a disengaged one not at all", () => {
  assert.equal(classed(draw({ state: "armed", slide: "engaged" }), "hatch").length, 1);
  const doubtful = draw({ state: "armed", slide: "disagree" });
  assert.equal(classed(doubtful, "hatch").length, 1);
  assert.equal(classed(doubtful, "slide-torn").length, 1);
  assert.equal(classed(draw({ slide: "disengaged" }), "hatch").length, 0);
});

test("a handle off its stop is a stroke that rises from the line", () => {
  const [handle] = ofKind(draw({ state: "armed_unlocked", slide: "engaged", handle: true }), "line").filter((each) => each.class === "handle");
  assert.ok(handle && handle.y2 < handle.y1);
  assert.equal(classed(draw({ state: "armed", slide: "engaged" }), "handle").length, 0);
});

test("posts lean with the wind over the door's own limit, and only where a leaf catches it", () => {
  const half = lean(makeDoor({ state: "ajar" }), 20, 12);
  const full = lean(makeDoor({ state: "ajar" }), 40, 12);
  assert.ok(half !== null && full !== null && Math.abs(full - 2 * half) < 0.01);
  const held = lean(makeDoor({ state: "open" }), 40, 12);
  assert.ok(held !== null && held < full);
  const posts = (shapes: readonly Shape[]): number[] =>
    ofKind(shapes, "line").filter((each) => each.class.startsWith("post")).map((each) => Math.round((each.x2 - each.x1) * 10) / 10);
  assert.deepEqual(posts(draw({ state: "closed_locked" }, { wind_kt: 60 })), [0, 0]);
  assert.ok(posts(draw({ state: "ajar", travel: 0.4 }, { wind_kt: 30 })).every((each) => each > 5));
  assert.equal(classed(draw({ state: "ajar", travel: 0.4 }, { wind_kt: null }), "post-broken").length, 2);
});

test("each alerted door has its mark, of its worst alert", () => {
  for (const type of Object.keys(TYPES)) {
    const doors = makeDoors(type, (_, at) => ({
      alerts: at % 2 === 0 ? [{ priority: "advisory", waiting: true, over: false }, { priority: at % 4 === 0 ? "warning" : "caution", waiting: at % 3 === 0, over: false }] : [],
    }));
    for (const together of [false, true]) {
      const marks = ofKind(drawSillLine(makeInput(doors, { together })).shapes, "mark");
      assert.deepEqual(
        marks.map((each) => [each.door, each.priority]),
        doors.filter((each) => each.alerts.length > 0).map((each) => [each.door, each.alerts[1]?.priority]),
      );
    }
  }
});

test("an alert that is over leaves its mark in outline, and the door's word as it is", () => {
  const shapes = draw({ state: "armed", slide: "engaged", alerts: [{ priority: "warning", waiting: false, over: true }] });
  assert.deepEqual(ofKind(shapes, "mark").map((each) => each.class), ["mark warning over"]);
  assert.equal(classed(shapes, "plate").length, 0);
  assert.equal(classed(shapes, "word").some((each) => each.class.includes("warning")), false);
});

test("an open airstair is its own way down", () => {
  const open = draw({ kind: "airstair", state: "open", travel: 1 });
  assert.equal(classed(open, "own_stairs").length, 1);
  assert.equal(ofKind(open, "text").some((each) => each.text.includes("docked")), false);
  assert.equal(classed(draw({ kind: "airstair", state: "open", travel: 1 }, { holds: false }), "own_stairs").length, 0);
});

test("every door has a name in the drawing and a place of at least 24 px to point at", () => {
  for (const type of Object.keys(TYPES)) {
    for (const width of [320, 768, 1920]) {
      const doors = makeDoors(type);
      const { places, shapes } = drawSillLine(makeInput(doors, { width }));
      assert.deepEqual(places.map((each) => each.door), doors.map((each) => each.door));
      const names = ofKind(shapes, "text").filter((each) => each.class.startsWith("name")).map((each) => each.text);
      assert.deepEqual(names, doors.map((each) => each.door));
      for (const place of places) assert.ok(place.w >= 24 && place.h >= 24);
    }
  }
});

test("a gloved finger's width is kept", () => {
  const { places } = drawSillLine(makeInput(makeDoors("cedar"), { width: 360, cellMin: 54 }));
  for (const place of places) assert.ok(place.w >= 54);
});

test("the side of a door can be told from its wedge", () => {
  const wedge = (side: SillDoor["side"]): Shape[] => classed(draw({ side }), "side");
  assert.equal(wedge("none").length, 0);
  assert.notDeepEqual(wedge("left"), wedge("right"));
});

test("the same input gives the same drawing", () => {
  const doors = makeDoors("cedar", (_, at) => ({ state: STATES[at % 8] ?? "", slide: SLIDES[at % 6] ?? "" }));
  assert.deepEqual(drawSillLine(makeInput(doors)), drawSillLine(makeInput(doors)));
});

test("the line is said: what is alerted first, the calm counted last", () => {
  const doors = makeDoors("alder", (name) =>
    name === "R2"
      ? { state: "armed_unlocked", slide: "engaged", handle: true, alerts: [{ priority: "warning", waiting: true, over: false }] }
      : name === "L1"
        ? { state: "open", travel: 1, access: "bridge" }
        : name === "CA"
          ? { state: "unknown" }
          : {},
  );
  assert.equal(
    describeSillLine(makeInput(doors)),
    "R2 handle up, armed, warning; L1 open, bridge; no data from CA; 12 doors locked or armed",
  );
  assert.equal(describeSillLine(makeInput(doors, { holds: false })).includes("locked or armed"), false);
});
