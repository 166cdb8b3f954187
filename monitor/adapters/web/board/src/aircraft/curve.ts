// A curve of measured values as it grows: what the service kept, and what came since. A gap is a gap:
// a value that is not known is a point without one, and a line is never drawn across it.

import type { CurvePoint } from "./documents.ts";

export interface Curve {
  /** ms since 1970, ascending. */
  t: readonly number[];
  value: readonly (number | null)[];
}

export const EMPTY: Curve = { t: [], value: [] };

export const readCurve = (points: readonly CurvePoint[]): Curve => ({
  t: points.map((point) => Date.parse(point.at)),
  value: points.map((point) => point.value),
});

/** Add a point; one that is not newer than the last is known already, and a gap needs to be told only once. */
export function grow(curve: Curve, at: number, value: number | null, oldest: number): Curve {
  const last = curve.t.at(-1);
  if (last !== undefined && at <= last) return curve;
  if (value === null && (last === undefined || curve.value.at(-1) === null)) return curve;
  const from = curve.t.findIndex((each) => each >= oldest);
  const kept = from < 0 ? curve.t.length : from;
  return { t: [...curve.t.slice(kept), at], value: [...curve.value.slice(kept), value] };
}

/** End the line after its last value: what comes next may come after values that were never heard. */
export function cutOff(curve: Curve): Curve {
  const last = curve.t.at(-1);
  if (last === undefined || curve.value.at(-1) === null) return curve;
  return { t: [...curve.t, last + 1], value: [...curve.value, null] };
}

/** What the service kept in place of whatever was drawn of that time, between what was drawn before and what came since. */
export function fillIn(curve: Curve, kept: Curve): Curve {
  const first = kept.t[0];
  const last = kept.t.at(-1);
  if (first === undefined || last === undefined) return curve;
  const from = curve.t.findIndex((at) => at >= first);
  const before = from < 0 ? curve.t.length : from;
  const newer = curve.t.findIndex((at) => at > last);
  const since = newer < 0 ? curve.t.length : newer;
  const join = <T,>(drawn: readonly T[], told: readonly T[]): T[] => [...drawn.slice(0, before), ...told, ...drawn.slice(since)];
  return { t: join(curve.t, kept.t), value: join(curve.value, kept.value) };
}

/** The lowest, highest and newest known value; null where none is known. */
export function sumUp(curve: Curve): { low: number; high: number; last: number } | null {
  const known = curve.value.filter((each) => each !== null);
  const last = known.at(-1);
  return last === undefined ? null : { low: Math.min(...known), high: Math.max(...known), last };
}
