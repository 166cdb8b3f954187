// The bench's page without its browser: its words, its picture in parts, the section and its handle.

import assert from "node:assert/strict";
import { readdirSync, readFileSync } from "node:fs";
import { dirname, join } from "node:path";
import { test } from "node:test";
import { fileURLToPath } from "node:url";
import { frameOf, onLeaf } from "../../simulators/workbench/page/src/frame.ts";
import { Hand, Mover } from "../../simulators/workbench/page/src/hand.ts";
import { drawSection, liftedAt } from "../../simulators/workbench/page/src/scene.ts";
import { shortened, sortAlerts } from "../../simulators/workbench/page/src/told.ts";
import type { Alert, DoorPart, Slide } from "../../simulators/workbench/page/src/wire.ts";

const PAGE = join(dirname(fileURLToPath(import.meta.url)), "../../simulators/workbench/page");
type Words = Record<string, string>;
const read = (tag: string): Words => JSON.parse(readFileSync(join(PAGE, "locales", `${tag}.json`), "utf8")) as Words;
const [english, german] = [read("en"), read("de")];
const source = readdirSync(join(PAGE, "src"))
  .filter((name) => /\.tsx?$/.test(name))
  .map((name) => readFileSync(join(PAGE, "src", name), "utf8"))
  .join("\n");
const places = (text = ""): string[] => [...new Set([...text.matchAll(/\{(\w+)\}/g)].map((found) => found[1] ?? ""))].sort();

test("German says all that English says, with the same places filled", () => {
  assert.deepEqual(Object.keys(german).sort(), Object.keys(english).sort());
  for (const [key, text] of Object.entries(german)) {
    assert.ok(text.trim().length > 0, key);
    assert.deepEqual(places(text), places(english[key]), key);
  }
});

test("every word is used, and every word that is asked for is there", () => {
  const literals = new Set([...source.matchAll(/"([a-z_]+(?:\.[a-z_]+)*)"/g)].map((found) => found[1] ?? ""));
  const beginnings = [...source.matchAll(/`([a-z_.]+\.)\$\{/g)].map((found) => found[1] ?? "");
  assert.deepEqual(Object.keys(english).filter((key) => !literals.has(key) && !beginnings.some((each) => key.startsWith(each))), []);
  for (const [, key = ""] of source.matchAll(/\bt\(\s*"([^"]+)"/g)) assert.ok(key in english, key);
});

test("everything that the server offers to break has a word", () => {
  const python = readFileSync(join(PAGE, "../telling.py"), "utf8") + readFileSync(join(PAGE, "../../orders.py"), "utf8");
  const phrases = new Map([...python.matchAll(/^ {4}([A-Z_]+) = "([^"]+)"$/gm)].map((found) => [found[1] ?? "", found[2] ?? ""]));
  const offered = [...python.matchAll(/^ {4}\(Verb\.([A-Z_]+), "([^"]*)"\),$/gm)];
  assert.ok(offered.length > 10);
  for (const [, verb = "", rest = ""] of offered) assert.ok(`do.${phrases.get(verb) ?? ""}${rest}` in english, verb);
  for (const [, verb = ""] of python.matchAll(/"fault": Verb\.([A-Z_]+)/g)) assert.ok(`fault.${phrases.get(verb) ?? ""}` in english, verb);
});

const slide: Slide = {
  lever: 0, engaged: false, left: false, right: false, pin: true, jam_left: false, jam_right: false, always_armed: false,
  released: false, erect: false, detached: false, handle_pulled: false, bottle_share: 1,
};

function door(change: Partial<DoorPart["mechanism"]> = {}, more: Partial<DoorPart> = {}): DoorPart {
  return {
    door: "L1", kind: "cabin", side: "left", sill_m: 3.4, state: "closed_locked", slide, powered: false, hold_open_lock: true,
    troubles: [], marks: [], readings: [],
    mechanism: {
      handle: 0, outside: 0, flap: false, leaf: 0, in_frame: true, hold_open: false, cover: true, selector: "neutral", actuator_bar: 0,
      pumped: false, access: "none", barrier: false, ...change,
    },
    ...more,
  };
}

const [WIDTH, HEIGHT] = [640, 420];
const kindsOf = (shown: DoorPart): string[] => drawSection(shown, 0, WIDTH, HEIGHT).shapes.map((shape) => shape.class);

test("the grip is where the handle is: drawing it there gives its place back", () => {
  for (const handle of [0, 0.25, 0.5, 1]) {
    const { grip } = drawSection(door({ handle }), 0, WIDTH, HEIGHT);
    assert.ok(grip !== null);
    assert.ok(Math.abs(liftedAt(grip.about, grip.at) - handle) < 1e-9, String(handle));
  }
  assert.equal(liftedAt({ x: 0, y: 0 }, { x: -1, y: 50 }), 0, "no lower than home");
  assert.equal(liftedAt({ x: 0, y: 0 }, { x: 1, y: -50 }), 1, "no higher than it goes");
});

test("a hold door's handle is outside, and no hand draws it through the picture", () => {
  assert.equal(drawSection(door({}, { kind: "cargo", slide: null }), 0, WIDTH, HEIGHT).grip, null);
});

test("what is engaged is hatched, what is released runs to the ground, and a pin is seen", () => {
  assert.ok(kindsOf(door()).includes("pin"));
  assert.ok(!kindsOf(door()).includes("pack engaged"));
  const armed = door({}, { slide: { ...slide, lever: 1, engaged: true, left: true, right: true, pin: false } });
  assert.ok(kindsOf(armed).includes("pack engaged"));
  assert.ok(!kindsOf(armed).includes("pin"));
  const half = kindsOf(door({}, { slide: { ...slide, engaged: true, left: true } }));
  assert.equal(half.filter((kind) => kind === "girt loose").length, 1);
  assert.ok(kindsOf(door({ leaf: 1, in_frame: false }, { slide: { ...slide, released: true } })).includes("run limp"));
  assert.ok(kindsOf(door({ leaf: 1, in_frame: false }, { slide: { ...slide, released: true, erect: true } })).includes("run"));
});

test("every kind of door, shut and open, with whatever is docked, stays in its picture", () => {
  for (const kind of ["cabin", "airstair", "overwing", "window", "cargo", "bulk", "hatch", "main_deck"]) {
    for (const sill_m of [0.6, 3.4, 6.2]) {
      for (const leaf of [0, 0.5, 1]) {
        const frame = frameOf(door({ leaf }, { kind, sill_m }), WIDTH, HEIGHT);
        assert.ok(frame.lintel > 0 && frame.sill < frame.ground && frame.ground < HEIGHT, `${kind} ${sill_m}`);
        for (const up of [0, frame.sill - frame.lintel]) {
          const at = onLeaf(frame, up, 0);
          assert.ok(at.x > 0 && at.x < WIDTH && at.y > -20 && at.y < HEIGHT + 20, `${kind} ${sill_m} ${leaf}: ${at.x} ${at.y}`);
        }
        for (const access of ["none", "bridge", "stairs", "loader", "platform"]) {
          for (const shape of drawSection(door({ leaf, access, barrier: true }, { kind, sill_m }), 40, WIDTH, HEIGHT).shapes) {
            assert.ok(!JSON.stringify(shape).includes("NaN") && !JSON.stringify(shape).includes("null"), `${kind} ${access}`);
          }
        }
      }
    }
  }
});

test("a drop that is drawn shorter than it is says so", () => {
  assert.equal(frameOf(door(), WIDTH, HEIGHT).shortened, true);
  assert.equal(frameOf(door({}, { sill_m: 0.5, kind: "hatch" }), WIDTH, HEIGHT).shortened, false);
});

test("the most urgent alert stands first, and of those the door in front's, the newest before the older", () => {
  const alert = (alert_id: string, priority: Alert["priority"], at: string): Alert => ({ alert_id, priority, door: at, code: "", state: "", text: "", action: "" });
  const told = [alert("a", "caution", "L1"), alert("b", "warning", "R1"), alert("c", "warning", "L1"), alert("d", "warning", "L1")];
  assert.deepEqual(sortAlerts(told, "L1").map((each) => each.alert_id), ["c", "d", "b", "a"]);
  assert.deepEqual(told.map((each) => each.alert_id), ["a", "b", "c", "d"]);
});

test("of what went wrong in a procedure the worst is told, and how much more there is", () => {
  const told = ["unseen", "cannot-tell", "too-slow", "skipped", "forbidden"].map((what) => ({ what, text: what }));
  assert.deepEqual(shortened(told), { shown: [{ what: "forbidden", text: "forbidden" }, { what: "skipped", text: "skipped" }], more: 3 });
  assert.deepEqual(shortened([]), { shown: [], more: 0 });
});

/** A link that answers only when it is told to, and what was sent over it. */
class SlowLink {
  readonly sent: unknown[] = [];
  #answer: (() => void) | undefined;

  readonly send = (_: string, body: unknown): Promise<unknown> => {
    this.sent.push(body);
    return new Promise<void>((resolve) => (this.#answer = resolve));
  };

  async answer(): Promise<void> {
    this.#answer?.();
    for (let turn = 0; turn < 5; turn += 1) await Promise.resolve();
  }
}

test("over a slow link the newest place of every handle arrives, and none is lost to another", async () => {
  const link = new SlowLink();
  const mover = new Mover(link.send);
  for (const to of [0.2, 0.6, 1]) mover.move("L1", "handle", to);
  mover.move("L1", "lever", 0.5);
  mover.move("L1", "lever", 0);
  for (let answer = 0; answer < 3; answer += 1) await link.answer();
  assert.deepEqual(link.sent, [
    { door: "L1", part: "handle", to: 0.2 },
    { door: "L1", part: "handle", to: 1 },
    { door: "L1", part: "lever", to: 0 },
  ]);
});

test("a hand that lets go is not overtaken by a hold that was still under way", async (context) => {
  context.mock.timers.enable({ apis: ["setInterval"] });
  const link = new SlowLink();
  const hand = new Hand(link.send, 400);
  hand.press("L1", "leaf", 1);
  await link.answer();
  context.mock.timers.tick(400);
  await link.answer();
  context.mock.timers.tick(2_000);
  hand.letGo();
  for (let answer = 0; answer < 10; answer += 1) await link.answer();
  const forces = (link.sent as { force: number }[]).map(({ force }) => force);
  assert.equal(forces.at(-1), 0);
  assert.equal(forces.filter((force) => force === 0).length, 1);
  assert.ok(forces.length <= 4, "one that is slow is not followed by a queue");
  context.mock.timers.tick(2_000);
  await link.answer();
  assert.equal(link.sent.length, forces.length, "and nothing comes after it");
});
