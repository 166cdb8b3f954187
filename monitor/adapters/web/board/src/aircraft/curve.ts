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

/** The lowest, highest and newest known value; null where none is known. */
export function sumUp(curve: Curve): { low: number; high: number; last: number } | null {
  const known = curve.value.filter((each) => each !== null);
  const last = known.at(-1);
  return last === undefined ? null : { low: Math.min(...known), high: Math.max(...known), last };
}
