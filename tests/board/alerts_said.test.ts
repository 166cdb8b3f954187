import assert from "node:assert/strict";
import { test } from "node:test";
import { saidAtOnce, saidLater, say } from "../../monitor/adapters/web/board/src/said.ts";

// One clock for all of it: a region that is left with something to say would carry it into the next test.
test("what is said stands long enough, one after the other, and goes in the end", (context) => {
  context.mock.timers.enable({ apis: ["setTimeout"] });
  const pass = (ms: number): void => context.mock.timers.tick(ms);

  say("first", "at once");
  say("", "at once");
  say("second", "at once");
  say("elsewhere", "later");
  assert.equal(saidAtOnce.value, "first");
  assert.equal(saidLater.value, "elsewhere", "the two do not wait for each other");
  pass(1_499);
  assert.equal(saidAtOnce.value, "first");
  pass(1);
  assert.equal(saidAtOnce.value, "second");
  pass(1_500);
  assert.equal(saidAtOnce.value, "second", "nothing takes it away yet");

  say("second", "at once");
  assert.equal(saidAtOnce.value, "second\u00a0", "the same text again is another text, so that it is read again");
  pass(1_500);
  pass(19_999);
  assert.notEqual(saidAtOnce.value, "");
  pass(1);
  assert.equal(saidAtOnce.value, "");
  assert.equal(saidLater.value, "");

  for (const text of ["1", "2", "3", "4", "5", "6", "7"]) say(text, "later");
  const heard = [saidLater.value];
  for (let each = 0; each < 6; each++) {
    pass(1_500);
    if (saidLater.value !== heard.at(-1)) heard.push(saidLater.value);
  }
  assert.deepEqual(heard, ["1", "4", "5", "6", "7"], "of a burst the newest are kept");
});
