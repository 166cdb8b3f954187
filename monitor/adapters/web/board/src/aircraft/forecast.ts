// The fall of a cabin's pressure as the service foresees it, as curves to be drawn.
//
// The service says when the pressure will be below its limit, and between which times; while a
// cabin vents, the root of a small difference falls linearly in time, so the curve between now
// and then follows from that alone. Nothing is foreseen here that the service did not say.

export interface Forecast {
  /** Seconds from now. */
  t: number[];
  about: number[];
  low: number[];
  high: number[];
}

interface Foreseen {
  now_hpa: number | null;
  limit_hpa: number;
  below_limit_in_s: number | null;
  below_limit_low_s: number | null;
  below_limit_high_s: number | null;
}

const POINTS = 40;

/** The curves until the latest time at which the limit may be reached; null where nothing is foreseen. */
export function foresee(pressure: Foreseen): Forecast | null {
  const { now_hpa: now, limit_hpa: limit, below_limit_in_s: about } = pressure;
  if (now === null || about === null || about <= 0 || Math.abs(now) <= limit) return null;
  const low = pressure.below_limit_low_s ?? about;
  const high = pressure.below_limit_high_s ?? about;
  const sign = Math.sign(now);
  const root = Math.sqrt(Math.abs(now));
  const fall = root - Math.sqrt(limit);
  const at = (t: number, reached: number): number =>
    sign * Math.max(0, root - (fall * t) / Math.max(reached, 0.1)) ** 2;
  const end = Math.max(high, about, low);
  const t = Array.from({ length: POINTS + 1 }, (_, n) => (end * n) / POINTS);
  return {
    t,
    about: t.map((each) => at(each, about)),
    low: t.map((each) => at(each, low)),
    high: t.map((each) => at(each, high)),
  };
}
