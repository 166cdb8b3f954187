// Where a time axis has its ticks, and which stretch of time is looked at. Asks no clock; all times are in ms.

const MINUTE = 60_000;
const HOUR = 60 * MINUTE;

/** How much of the record may be shown at once. */
export const SPANS: readonly number[] = [5 * MINUTE, 30 * MINUTE, 2 * HOUR, 8 * HOUR];

const STEPS: readonly number[] = [
  30_000,
  MINUTE,
  2 * MINUTE,
  5 * MINUTE,
  10 * MINUTE,
  15 * MINUTE,
  30 * MINUTE,
  HOUR,
  2 * HOUR,
];

/** The ticks of [since, until]: at round times, as many as there is room for, at most `most`. */
export function listTicks(since: number, until: number, most: number): number[] {
  const step = STEPS.find((each) => (until - since) / each <= most) ?? (STEPS.at(-1) as number);
  const ticks: number[] = [];
  for (let at = Math.ceil(since / step) * step; at <= until; at += step) ticks.push(at);
  return ticks;
}

/** What is looked at: `until` null follows the present. */
export interface Look {
  until: number | null;
  span: number;
}

/** Half a screen earlier (-1) or later (1); looking later than now follows the present. */
export function shift(look: Look, by: -1 | 1, now: number): Look {
  const until = (look.until ?? now) + (by * look.span) / 2;
  return { ...look, until: until >= now ? null : until };
}

/** Another span, around the same middle; what follows the present goes on doing so. */
export function zoom(look: Look, span: number, now: number): Look {
  if (look.until === null) return { until: null, span };
  const until = look.until - look.span / 2 + span / 2;
  return { until: until >= now ? null : until, span };
}
