// Figures as the health page puts them: numbers in the reader's language, lengths of bars, order of rows.
// Owns no words and no DOM; an unknown figure stays unknown.

import type { Band, Rate, SenderRow } from "./documents.ts";

const formats = new Map<string, Intl.NumberFormat>();

/** A number with at most so many places after the point, in that language; an unknown one is null. */
export function putNumber(value: number | null | undefined, language: string, places = 1): string | null {
  if (value === null || value === undefined || !Number.isFinite(value)) return null;
  const key = `${language}|${places}`;
  let format = formats.get(key);
  if (format === undefined) {
    format = new Intl.NumberFormat(language, { maximumFractionDigits: places });
    formats.set(key, format);
  }
  return format.format(value);
}

/** A share (0 to 1) as per cent, in that language; an unknown one is null. */
export function putShare(share: number | null | undefined, language: string): string | null {
  if (share === null || share === undefined || !Number.isFinite(share)) return null;
  const places = share > 0 && share < 0.01 ? 2 : share < 0.1 ? 1 : 0;
  return new Intl.NumberFormat(language, { style: "percent", maximumFractionDigits: places }).format(share);
}

/** How many digits a duration in ms deserves: more the shorter it is. */
export const placesOfMs = (ms: number): number => (ms < 1 ? 3 : ms < 100 ? 1 : 0);

/** How long a bar is, 0 to 100, on a scale that ends at `full`. */
export function barLength(value: number | null | undefined, full: number): number {
  if (value === null || value === undefined || !(full > 0)) return 0;
  return Math.min(100, Math.max(0, (100 * value) / full));
}

/** Where a scale of rates ends: beyond the last limit and beyond the greatest rate. */
export function scaleEnd(rates: readonly number[], manageable: number): number {
  return Math.max(manageable * 1.5, ...rates);
}

/** What each rate is put over, s. */
export const SPANS_S: Readonly<Record<Rate, number>> = { per_10_minutes: 600, per_hour: 3_600, per_day: 86_400 };

/** Whether a period is long enough for a rate: what is shorter would only be multiplied. */
export const isLongEnough = (rate: Rate, lengthS: number): boolean => lengthS >= SPANS_S[rate];

const BANDS: readonly Band[] = ["acceptable", "manageable", "above"];

/** The worst band of the rates for which a period is long enough; null where it is for none. */
export function worstBand(bands: Readonly<Record<Rate, Band>>, lengthS: number): Band | null {
  const judged = (Object.keys(SPANS_S) as Rate[]).filter((rate) => isLongEnough(rate, lengthS));
  if (judged.length === 0) return null;
  return BANDS[Math.max(...judged.map((rate) => BANDS.indexOf(bands[rate])))] ?? null;
}

const FEED_ORDER = ["lost", "no-broker", "silent", "left-on-broker", "live"];

/** Senders with the worst-heard first, then by registration; a word that is not known comes before all. */
export function orderSenders(senders: readonly SenderRow[]): SenderRow[] {
  const rank = (row: SenderRow): number => FEED_ORDER.indexOf(row.feed);
  return [...senders].sort((a, b) => rank(a) - rank(b) || (a.aircraft < b.aircraft ? -1 : 1));
}

/** Counts by name, the greatest first. */
export function orderCounts(counts: Readonly<Record<string, number>>): [string, number][] {
  return Object.entries(counts).sort(([a, n], [b, m]) => m - n || (a < b ? -1 : 1));
}
