// Which warnings the strip at the top shows: those that no row of this screen shows. Decides only.
//
// A row that comes into sight takes its line away after a moment, and one that leaves it brings the line
// back after a shorter one, so that scrolling past rows does not make the lines flicker.

import type { AlertDocument } from "../wire.ts";
import { compareAlerts } from "./order.ts";

export const SHOW_AFTER_MS = 300;
export const HIDE_AFTER_MS = 600;

/** How many lines a window of that height (px) has room for: what is read must stay in sight below them. */
export const countLines = (height: number): number => (height >= 660 ? 3 : height >= 400 ? 2 : 1);

interface Standing {
  shown: boolean;
  /** Since when the opposite of `shown` is wanted; null while it is not. */
  changing: number | null;
}

/** By alert id. */
export type StandingIn = ReadonlyMap<string, Standing>;

/**
 * The next picture of the strip, and when to look again (ms; null: nothing is under way). Before `rowsSpeakAt` (ms)
 * the rows have not said yet what they draw.
 */
export function settleStrip(
  before: StandingIn,
  waiting: readonly AlertDocument[],
  drawnInRows: ReadonlySet<string>,
  now: number,
  rowsSpeakAt = 0,
): { after: StandingIn; lookAt: number | null } {
  const after = new Map<string, Standing>();
  let lookAt: number | null = null;
  for (const { alert_id } of waiting) {
    const { shown, changing } = before.get(alert_id) ?? { shown: false, changing: null };
    const wanted = !drawnInRows.has(alert_id);
    if (wanted === shown) {
      after.set(alert_id, { shown, changing: null });
      continue;
    }
    const since = changing ?? Math.max(now, rowsSpeakAt);
    const due = since + (wanted ? SHOW_AFTER_MS : HIDE_AFTER_MS);
    if (now >= due) after.set(alert_id, { shown: wanted, changing: null });
    else {
      after.set(alert_id, { shown, changing: since });
      lookAt = lookAt === null ? due : Math.min(lookAt, due);
    }
  }
  return { after, lookAt };
}

/**
 * The lines to draw, most urgent first, and how many there are no lines for. `kept`, an alert id,
 * has its line whatever happens: somebody's finger is on it.
 */
export function pickLines(
  waiting: readonly AlertDocument[],
  standing: StandingIn,
  kept: string | null,
  most: number,
): { lines: AlertDocument[]; more: number } {
  const shown = waiting
    .filter(({ alert_id }) => alert_id === kept || standing.get(alert_id)?.shown === true)
    .sort((a, b) => Number(a.drill === true) - Number(b.drill === true) || compareAlerts(a, b));
  const lines = shown.slice(0, most);
  const held = shown.find(({ alert_id }) => alert_id === kept);
  if (held !== undefined && !lines.includes(held)) lines[most - 1] = held;
  return { lines, more: shown.length - lines.length };
}
