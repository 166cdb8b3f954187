// When a page tells its word: after a change or a failure, to a service that started anew, else every three seconds.

import assert from "node:assert/strict";
import { beforeEach, mock, test } from "node:test";
import { addressOf } from "../../monitor/adapters/web/board/src/live/stream.ts";
import { Teller } from "../../monitor/adapters/web/board/src/telling.ts";

beforeEach(() => {
  mock.timers.reset();
  mock.timers.enable({ apis: ["setTimeout"] });
});

/** A page and a service: `word` is what there is to tell, `heard` what was sent, `up` whether it arrives. */
class Stage {
  word = "one";
  up = true;
  readonly heard: string[] = [];
  private held: (() => void) | null = null;
  hold = false;
  readonly teller: Teller;

  constructor() {
    this.teller = new Teller(
      () => this.word,
      async (word) => {
        this.heard.push(word);
        if (this.hold) await new Promise<void>((resolve) => (this.held = resolve));
        return this.up;
      },
    );
  }

  answer(): void {
    this.hold = false;
    this.held?.();
  }

  /** Let time pass; returns what was sent in it. */
  async pass(ms: number): Promise<string[]> {
    const before = this.heard.length;
    mock.timers.tick(ms);
    await settle();
    return this.heard.slice(before);
  }
}

const settle = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));

async function started(): Promise<Stage> {
  const stage = new Stage();
  void stage.teller.tell();
  await settle();
  assert.deepEqual(stage.heard, ["one"]);
  return stage;
}

test("a change is told in a moment, no change is not, and a sign of life comes every three seconds", async () => {
  const stage = await started();
  stage.teller.tellSoon();
  assert.deepEqual(await stage.pass(100), []);
  stage.word = "two";
  stage.teller.tellSoon();
  stage.teller.tellSoon();
  assert.deepEqual(await stage.pass(100), ["two"]);
  assert.deepEqual(await stage.pass(2_900), []);
  assert.deepEqual(await stage.pass(100), ["two"]);
});

test("a word that did not arrive is told again at the next occasion, though nothing changed", async () => {
  const stage = await started();
  stage.up = false;
  assert.deepEqual(await stage.pass(3_000), ["one"]);
  stage.up = true;
  stage.teller.tellSoon();
  assert.deepEqual(await stage.pass(100), ["one"]);
  stage.teller.tellSoon();
  assert.deepEqual(await stage.pass(100), []);
});

test("a service that started anew is told at once, though nothing changed", async () => {
  const stage = await started();
  stage.teller.tellAnew();
  assert.deepEqual(await stage.pass(100), ["one"]);
});

test("what was on its way to the service before it started anew is told again", async () => {
  const stage = await started();
  stage.hold = true;
  assert.deepEqual(await stage.pass(3_000), ["one"]);
  stage.teller.tellAnew();
  assert.deepEqual(await stage.pass(100), []);
  stage.answer();
  await settle();
  assert.deepEqual(stage.heard, ["one", "one", "one"]);
});

test("what changes while a word is on its way goes as it ends, and a failure is not repeated in a row", async () => {
  const stage = await started();
  stage.hold = true;
  stage.up = false;
  assert.deepEqual(await stage.pass(3_000), ["one"]);
  stage.word = "two";
  stage.teller.tellSoon();
  await stage.pass(100);
  stage.answer();
  await settle();
  assert.deepEqual(stage.heard, ["one", "one", "two"]);
  assert.deepEqual(await stage.pass(2_900), []);
  assert.deepEqual(await stage.pass(100), ["two"]);
});

test("a stream says whose it is, and after what it goes on", () => {
  assert.equal(addressOf("0123456789abcdef", ""), "/api/v1/stream?board=0123456789abcdef");
  assert.equal(addressOf("0123456789abcdef", "a1-7"), "/api/v1/stream?board=0123456789abcdef&after=a1-7");
});
