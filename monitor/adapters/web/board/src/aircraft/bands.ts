// From the journal's record of an aircraft to what its timeline draws: bands of state a door, and the alerts
// beside them. Owns clipping, merging and gaps; draws nothing and asks no clock. All times are in ms.
//
// A stretch in which nothing was recorded, or in which the monitor did not run, is a band of
// its own kind: a state is never drawn across it.

import type { Period, TimelineAlert, TimelineDocument } from "./documents.ts";

export type BandKind = "state" | "not-recorded" | "not-running";

export interface Band {
  kind: BandKind;
  /** The door's state; empty where the band is not one of a state. */
  state: string;
  slide: string;
  /** Since when that state held, which may be long before the band begins. */
  since: number;
  from: number;
  to: number;
}

interface Stretch {
  from: number;
  to: number;
}

/** What is drawn: from `since` until `until`; of what comes after `proved` nothing is told. */
export interface Window {
  since: number;
  until: number;
  proved: number;
}

/** Periods of the wire as stretches inside [since, until], in order, overlapping ones as one. */
function readPeriods(periods: readonly Period[], since: number, until: number): Stretch[] {
  const read = periods
    .map((each) => ({ from: Math.max(since, Date.parse(each.since)), to: Math.min(until, Date.parse(each.until)) }))
    .filter((each) => each.to > each.from)
    .sort((a, b) => a.from - b.from);
  const merged: Stretch[] = [];
  for (const each of read) {
    const last = merged.at(-1);
    if (last !== undefined && each.from <= last.to) last.to = Math.max(last.to, each.to);
    else merged.push({ ...each });
  }
  return merged;
}

const bare = (kind: BandKind, from: number, to: number): Band => ({
  kind,
  state: "",
  slide: "",
  since: from,
  from,
  to,
});

/** The bands of one door, in order, without holes, from the window's beginning to where the record ends. */
export function listBands(timeline: TimelineDocument, door: string, window: Window): Band[] {
  const end = Math.max(window.since, Math.min(window.until, window.proved));
  const states = listStates(timeline, door, window.since, end);
  const down = readPeriods(timeline.monitor_not_running, window.since, end);
  const bands: Band[] = [];
  for (const band of states) {
    let from = band.from;
    for (const gap of down) {
      if (gap.to <= from || gap.from >= band.to) continue;
      if (gap.from > from) bands.push({ ...band, from, to: gap.from });
      from = Math.max(from, Math.min(gap.to, band.to));
      const last = bands.at(-1);
      if (last?.kind === "not-running" && last.to >= gap.from) last.to = from;
      else bands.push(bare("not-running", Math.max(gap.from, band.from), from));
    }
    if (from < band.to) bands.push({ ...band, from });
  }
  // The window may reach past what is known: the page is not live, or it ends in the future.
  if (end < window.until) bands.push(bare("not-recorded", end, window.until));
  return bands;
}

/** Bands of states alone, with what comes before the first record as not recorded. */
function listStates(timeline: TimelineDocument, door: string, since: number, end: number): Band[] {
  if (end <= since) return [];
  const bands: Band[] = [];
  let held = "";
  let heldSince = since;
  const entries = timeline.doors[door] ?? [];
  entries.forEach((entry, n) => {
    const at = Date.parse(entry.at);
    const next = entries[n + 1];
    const from = Math.max(at, since);
    const to = Math.min(next === undefined ? end : Date.parse(next.at), end);
    if (entry.state !== held) [held, heldSince] = [entry.state, at];
    if (to <= from) return;
    const last = bands.at(-1);
    if (last !== undefined && last.state === entry.state && last.slide === entry.slide && last.to === from)
      last.to = to;
    else bands.push({ kind: "state", state: entry.state, slide: entry.slide, since: heldSince, from, to });
  });
  const first = bands[0]?.from ?? end;
  if (first > since) bands.unshift(bare("not-recorded", since, first));
  return bands;
}

/** The band at a moment: the one that begins there where two meet; none outside the record. */
export function bandAt(bands: readonly Band[], at: number): Band | null {
  return bands.findLast((band) => band.from <= at && at <= band.to) ?? null;
}

/** Add what the stream told after the record was fetched: each door's present state and since when. */
export function followDoors(
  timeline: TimelineDocument,
  doors: Iterable<{ door: string; state: string; slide: string; since: string }>,
): TimelineDocument {
  let followed: Record<string, TimelineDocument["doors"][string]> | null = null;
  for (const { door, state, slide, since } of doors) {
    const entries = timeline.doors[door] ?? [];
    const last = entries.at(-1);
    if (last !== undefined && (last.state === state || Date.parse(since) < Date.parse(last.at))) continue;
    followed ??= { ...timeline.doors };
    followed[door] = [...entries, { at: since, state, slide }];
  }
  return followed === null ? timeline : { ...timeline, doors: followed };
}

export type MarkKind = "raised" | "reprioritised" | "acknowledged" | "cleared" | "other";

const MARKS: Readonly<Record<string, MarkKind>> = {
  raised: "raised",
  reraised: "raised",
  reprioritised: "reprioritised",
  acknowledged: "acknowledged",
  cleared: "cleared",
  reset: "cleared",
};

/** What a change of an alert is drawn as; `type` with or without the prefix of the event. */
export const markOf = (type: string): MarkKind => MARKS[type.slice(type.lastIndexOf(".") + 1)] ?? "other";

export interface AlertSpan {
  alert: TimelineAlert;
  /** Which of the lane's lines it stands on, from 0. */
  line: number;
  from: number;
  to: number;
}

/**
 * The alerts of one place ("-" the aircraft itself) that touch the window, each on the first line where it
 * hides no other; `apart` (ms) is how much room a mark takes.
 */
export function stackAlerts(
  alerts: readonly TimelineAlert[],
  door: string,
  window: Window,
  apart: number,
): AlertSpan[] {
  const end = Math.min(window.until, window.proved);
  const spans: AlertSpan[] = [];
  const free: number[] = [];
  const own = alerts
    .filter((alert) => alert.door === door)
    .map((alert) => ({
      alert,
      from: Date.parse(alert.raised_at),
      ended: alert.ended_at === null ? null : Date.parse(alert.ended_at),
    }))
    .filter(({ from, ended }) => from <= end && (ended ?? end) >= window.since)
    .sort((a, b) => a.from - b.from || a.alert.alert_id.localeCompare(b.alert.alert_id));
  for (const { alert, from, ended } of own) {
    let line = free.findIndex((until) => until + apart <= from);
    if (line < 0) line = free.length;
    const to = Math.min(ended ?? end, end);
    free[line] = Math.max(to, from);
    spans.push({ alert, line, from: Math.max(from, window.since), to });
  }
  return spans;
}

export const lineCount = (spans: readonly AlertSpan[]): number =>
  spans.reduce((n, span) => Math.max(n, span.line + 1), 0);

/** From when on the condition of an alert was over though the alert still stood, inside [from, to]; `to` where it was not. */
export function overSince(alert: TimelineAlert, from: number, to: number): number {
  let over = to;
  for (const change of alert.changes) {
    const at = Date.parse(change.at);
    if (at > to) break;
    const mark = markOf(change.type);
    if (mark === "cleared") over = Math.min(over, Math.max(at, from));
    else if (mark === "raised") over = to;
  }
  return over;
}
