// Figures of the health page: what is not known stays so, what is too early is not judged, nothing hides in a text.

import assert from "node:assert/strict";
import { test } from "node:test";
import { foreign, showControls } from "../../monitor/adapters/web/board/src/foreign.ts";
import type { SenderRow } from "../../monitor/adapters/web/board/src/health/documents.ts";
import {
  barLength,
  isLongEnough,
  orderCounts,
  orderSenders,
  placesOfMs,
  putNumber,
  putShare,
  scaleEnd,
  worstBand,
} from "../../monitor/adapters/web/board/src/health/figures.ts";

test("a number is put in the reader's language, and an unknown one is no number", () => {
  assert.equal(putNumber(1234.56, "en"), "1,234.6");
  assert.equal(putNumber(1234.56, "de"), "1.234,6");
  assert.equal(putNumber(0, "en"), "0");
  for (const unknown of [null, undefined, Number.NaN, Number.POSITIVE_INFINITY]) assert.equal(putNumber(unknown, "en"), null);
});

test("a share below a hundredth keeps its digits", () => {
  assert.equal(putShare(0.004, "en"), "0.4%");
  assert.equal(putShare(0.051, "en"), "5.1%");
  assert.equal(putShare(0.8, "en"), "80%");
  assert.equal(putShare(0, "en"), "0%");
  assert.equal(putShare(null, "en"), null);
});

test("a short time has more digits than a long one", () => {
  assert.deepEqual([0.2, 5, 250].map(placesOfMs), [3, 1, 0]);
});

test("a bar never leaves its frame, and an unknown figure has none", () => {
  assert.equal(barLength(1, 4), 25);
  assert.equal(barLength(9, 4), 100);
  assert.equal(barLength(-1, 4), 0);
  assert.equal(barLength(null, 4), 0);
  assert.equal(barLength(1, 0), 0);
  assert.equal(scaleEnd([0.1, 0.2], 2), 3, "both marks stand on the bar, however calm it is");
  assert.equal(scaleEnd([7], 2), 7);
});

test("a rate over more than is on record is too early to tell", () => {
  assert.equal(isLongEnough("per_10_minutes", 599), false);
  assert.equal(isLongEnough("per_10_minutes", 600), true);
  assert.equal(isLongEnough("per_day", 3_600), false);
  const bands = { per_10_minutes: "acceptable", per_hour: "manageable", per_day: "above" } as const;
  assert.equal(worstBand(bands, 18), null);
  assert.equal(worstBand(bands, 600), "acceptable");
  assert.equal(worstBand(bands, 3_600), "manageable");
  assert.equal(worstBand(bands, 86_400), "above");
});

test("the worst heard sender comes first, and a word that nobody knows before it", () => {
  const row = (aircraft: string, feed: string): SenderRow => ({
    aircraft,
    feed,
    stand: "",
    presence: "present",
    clock_offset_s: null,
    heartbeat: null,
    heartbeat_age_s: null,
    last_message_age_s: null,
    messages_per_s: null,
  });
  const given = [row("C", "live"), row("B", "live"), row("A", "silent"), row("D", "lost"), row("E", "another word")];
  assert.deepEqual(orderSenders(given).map((each) => each.aircraft), ["E", "D", "A", "B", "C"]);
  assert.equal(given[0]?.aircraft, "C", "what was given is left as it is");
});

test("counts stand by size, then by name", () => {
  assert.deepEqual(orderCounts({ b: 1, c: 5, a: 1 }), [["c", 5], ["a", 1], ["b", 1]]);
});

test("what steers a line is made visible, and letters of any script are left alone", () => {
  assert.equal(showControls("safe\u202egnp.exe"), "safe⟨U+202E⟩gnp.exe");
  assert.equal(showControls("\u0000\u001b[2J"), "⟨U+0000⟩⟨U+001B⟩[2J");
  assert.equal(showControls("a\u2066b\u2069\u200bc"), "a⟨U+2066⟩b⟨U+2069⟩⟨U+200B⟩c");
  for (const plain of ["<b>bold</b> & more", "Tür offen – 3 m", "שלום", "門", "line\nnext\ttab", "👩‍🔧"]) assert.equal(showControls(plain), plain);
});

test("a name that runs from right to left is set apart in a sentence, and another is left as it is", () => {
  assert.equal(foreign("מיה 7"), "\u2068מיה 7\u2069");
  assert.equal(foreign("Mia"), "Mia");
  assert.equal(foreign("\u202eMia"), "⟨U+202E⟩Mia");
});
