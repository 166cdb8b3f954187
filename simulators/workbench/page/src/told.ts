// What of a monitor's answers stands first in the strip, and what of them is left out. Pure.

import type { Alert, Run } from "./wire.ts";

const URGENCY = { warning: 0, caution: 1, advisory: 2 } as const;

/** Most urgent first; of the same urgency those of the door in front, then as the server told them, the newest first. */
export function sortAlerts(alerts: readonly Alert[], door: string): Alert[] {
  const away = (alert: Alert): number => Number(alert.door !== door);
  return [...alerts].sort((a, b) => URGENCY[a.priority] - URGENCY[b.priority] || away(a) - away(b));
}

const WORST = ["forbidden", "out-of-order", "skipped", "too-slow", "cannot-tell", "unseen"];
const TROUBLES_SHOWN = 2;

/** What went wrong in a run, the worst first, and how much more there is. */
export function shortened(troubles: Run["troubles"]): { shown: Run["troubles"]; more: number } {
  const rank = (what: string): number => WORST.indexOf(what);
  const sorted = [...troubles].sort((a, b) => rank(a.what) - rank(b.what));
  return { shown: sorted.slice(0, TROUBLES_SHOWN), more: Math.max(0, sorted.length - TROUBLES_SHOWN) };
}
