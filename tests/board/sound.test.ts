import assert from "node:assert/strict";
import { test } from "node:test";
import {
  findNews,
  holdMute,
  listSounding,
  makePattern,
  MUTE_MS,
  PATTERN_S,
  type HeardAlerts,
} from "../../monitor/adapters/web/board/src/alerts/sounding.ts";
import { sayNews } from "../../monitor/adapters/web/board/src/alerts/wording.ts";
import type { AlertDocument } from "../../monitor/adapters/web/board/src/wire.ts";
import { makeAlert } from "./alerts_made.ts";

const NOTHING: HeardAlerts = new Map();

test("a warning sounds while nobody has it, for real and for now", () => {
  const alert = makeAlert();
  assert.equal(listSounding([alert]).size, 1);
  const silent: Partial<AlertDocument>[] = [
    { priority: "caution" },
    { priority: "advisory" },
    { drill: true },
    { late: true },
    ...["acknowledged", "rtn_unacknowledged", "latched", "shelved", "suppressed", "out_of_service"].map((state) => ({ state })),
  ];
  for (const part of silent) assert.equal(listSounding([{ ...alert, ...part }]).size, 0, JSON.stringify(part));
  for (const part of [{ blind: true }, { simulated: true }, { on_no_screen: true }, { active: false }]) {
    assert.equal(listSounding([{ ...alert, ...part }]).size, 1, JSON.stringify(part));
  }
});

test("a mute ends by itself, and at anything that it was not asked for", () => {
  const alert = makeAlert();
  const sounding = listSounding([alert]);
  const mute = { until: 1_000 + MUTE_MS, covers: sounding };
  assert.equal(holdMute(mute, sounding, 1_000), mute);
  assert.equal(holdMute(mute, sounding, 1_000 + MUTE_MS - 1), mute);
  assert.equal(holdMute(mute, sounding, 1_000 + MUTE_MS), null);
  assert.equal(holdMute(mute, new Set(), 2_000), mute, "what was taken meanwhile breaks nothing");
  assert.equal(holdMute(mute, listSounding([alert, makeAlert()]), 2_000), null, "a new warning sounds");
  assert.equal(holdMute(mute, listSounding([{ ...alert, escalated_at: "2026-03-01T10:15:05.000Z" }]), 2_000), null);
  assert.equal(holdMute(mute, sounding, 0), null, "a clock that was put back makes no longer mute");
  assert.equal(holdMute(null, sounding, 0), null);
});

test("a warning is said once, however often the picture comes", () => {
  const alert = makeAlert();
  const first = findNews(NOTHING, [alert]);
  assert.deepEqual(first.pieces, [{ kind: "new", alert }]);
  const second = findNews(first.heard, [{ ...alert, text: "another text", changed_at: "2026-03-01T10:16:00.000Z" }]);
  assert.deepEqual(second.pieces, []);
});

test("an escalation is said once, each of them", () => {
  const alert = makeAlert();
  const { heard } = findNews(NOTHING, [alert]);
  const passed = { ...alert, escalated: true, escalated_at: "2026-03-01T10:15:05.000Z", role: "supervisor" };
  const once = findNews(heard, [passed]);
  assert.deepEqual(once.pieces.map((piece) => piece.kind), ["escalated"]);
  assert.deepEqual(findNews(once.heard, [passed]).pieces, []);
  const further = findNews(once.heard, [{ ...passed, escalated_at: "2026-03-01T10:15:10.000Z" }]);
  assert.deepEqual(further.pieces.map((piece) => piece.kind), ["escalated"]);
});

test("one that is already with the next role when it is first seen is said as one piece", () => {
  const alert = makeAlert({ escalated: true, escalated_at: "2026-03-01T10:15:05.000Z" });
  const news = findNews(NOTHING, [alert]);
  assert.deepEqual(news.pieces.map((piece) => piece.kind), ["new"]);
  assert.deepEqual(findNews(news.heard, [alert]).pieces, []);
});

test("what comes back after somebody had it is said again", () => {
  const alert = makeAlert();
  const raised = findNews(NOTHING, [alert]);
  const taken = findNews(raised.heard, [{ ...alert, state: "acknowledged" }]);
  assert.deepEqual(taken.pieces, []);
  assert.equal(findNews(taken.heard, [alert]).pieces.length, 1);
});

test("a caution that becomes a warning is said again, one that falls is not", () => {
  const caution = makeAlert({ priority: "caution" });
  const before = findNews(NOTHING, [caution]);
  const risen = findNews(before.heard, [{ ...caution, priority: "warning" }]);
  assert.equal(risen.pieces.length, 1);
  assert.deepEqual(findNews(risen.heard, [caution]).pieces, []);
});

test("advisories, drills and what came late are not said", () => {
  for (const part of [{ priority: "advisory" }, { drill: true }, { late: true }] as Partial<AlertDocument>[]) {
    assert.deepEqual(findNews(NOTHING, [makeAlert(part)]).pieces, [], JSON.stringify(part));
  }
});

test("a late warning that is told again, unmarked, is said", () => {
  const alert = makeAlert();
  const late = findNews(NOTHING, [{ ...alert, late: true }]);
  assert.equal(findNews(late.heard, [alert]).pieces.length, 1);
});

test("one warning is said whole: what it is, where, and what to do", () => {
  const { pieces } = findNews(NOTHING, [makeAlert()]);
  assert.equal(sayNews(pieces), "Warning, R2 of ZZ-KAT on S12. Stop. Keep clear of the door.");
  const passed = makeAlert({ role: "supervisor", door: "-" });
  assert.equal(
    sayNews([{ kind: "escalated", alert: passed }]),
    "Nobody has answered. Warning, ZZ-KAT on S12, now with the supervisor. Stop. Keep clear of the door.",
  );
});

test("a burst is summed up, the most urgent thing to do with it", () => {
  const alerts = ["L1", "L2", "L3", "L4", "L5"].map((door) => makeAlert({ door, action: `Look at ${door}.` }));
  const said = sayNews(findNews(NOTHING, alerts).pieces);
  assert.equal(
    said,
    "5 new warnings: L1 of ZZ-KAT on S12; L2 of ZZ-KAT on S12; L3 of ZZ-KAT on S12. And 2 more. First of all: Look at L1.",
  );
  assert.equal(sayNews([]), "");
});

test("the pattern is two tones and then quiet, within bounds and with soft edges", () => {
  const rate = 48_000;
  const samples = makePattern(rate);
  assert.equal(samples.length, PATTERN_S * rate);
  assert.ok(samples.every((sample) => Math.abs(sample) <= 1));
  const loudest = (from: number, to: number): number => Math.max(...samples.slice(from * rate, to * rate).map(Math.abs));
  assert.ok(loudest(0.02, 0.16) > 0.7, "the first tone");
  assert.equal(loudest(0.19, 0.215), 0, "a gap between them");
  assert.ok(loudest(0.25, 0.38) > 0.7, "the second tone");
  assert.equal(loudest(0.45, PATTERN_S), 0, "then quiet");
  const steps = samples.slice(1).map((sample, index) => Math.abs(sample - (samples[index] ?? 0)));
  assert.ok(Math.max(...steps) < 0.2, "no step that cracks");
});
