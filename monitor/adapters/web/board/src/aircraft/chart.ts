// A curve over time on a canvas: what was measured, its limit, and what is foreseen with its band. Its colours are
// the page's own, read anew when the look changes. Owns no words: whoever draws it says the same in text.

import uPlot from "uplot";
import type { Curve } from "./curve.ts";
import type { Forecast } from "./forecast.ts";

export interface Drawn {
  curve: Curve;
  limit: number | null;
  forecast: Forecast | null;
  /** The service's clock, ms. */
  now: number;
  since: number;
  until: number;
}

const HEIGHT = 220;

const token = (name: string): string => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

/** The columns that are drawn: time (s), measured, limit, foreseen, its lower and its upper edge. */
export function columns({ curve, limit, forecast, now, since, until }: Drawn): uPlot.AlignedData {
  const time: number[] = [since / 1000];
  const measured: (number | null)[] = [null];
  const limits: (number | null)[] = [limit];
  const about: (number | null)[] = [null];
  const low: (number | null)[] = [null];
  const high: (number | null)[] = [null];
  const add = (at: number, row: readonly (number | null)[]): void => {
    time.push(at / 1000);
    [measured, limits, about, low, high].forEach((column, n) => column.push(row[n] ?? null));
  };
  curve.t.forEach((at, n) => {
    if (at > since) add(at, [curve.value[n] ?? null]);
  });
  // A curve that ends before now leaves a hole there, and is not led on to what is foreseen.
  const start = Math.max(now, curve.t.at(-1) ?? now) + 1;
  forecast?.t.forEach((t, n) => {
    add(start + t * 1000, [null, null, forecast.about[n] ?? null, forecast.low[n] ?? null, forecast.high[n] ?? null]);
  });
  if (until / 1000 > (time.at(-1) ?? 0)) add(until, [null, limit]);
  else limits[limits.length - 1] = limit;
  return [time, measured, limits, about, low, high];
}

/** Draw into `place`; the zone is the site's. */
export function makeChart(place: HTMLElement, drawn: Drawn, zone: string): uPlot {
  const text = token("--text");
  const quiet = token("--quiet");
  const font = `12px ${token("--text-font")}`;
  const axis = { stroke: quiet, font, ticks: { stroke: token("--line"), width: 1 } };
  return new uPlot(
    {
      width: Math.max(place.clientWidth, 200),
      height: HEIGHT,
      legend: { show: false },
      cursor: { drag: { x: false, y: false } },
      tzDate: (at) => uPlot.tzDate(new Date(at * 1000), zone),
      scales: {
        x: { time: true },
        y: { range: (_, low, high) => [Math.min(0, low * 1.1), Math.max(0, high * 1.1, low + 0.5)] },
      },
      axes: [
        { ...axis, grid: { show: false }, values: "{HH}:{mm}", space: 70 },
        { ...axis, grid: { stroke: token("--faint"), width: 1 }, size: 48 },
      ],
      series: [
        {},
        { stroke: text, width: 2, spanGaps: false, points: { show: false } },
        { stroke: quiet, width: 1.5, dash: [8, 5], spanGaps: true, points: { show: false } },
        { stroke: text, width: 1.5, dash: [2, 4], points: { show: false } },
        { stroke: quiet, width: 0.75, points: { show: false } },
        { stroke: quiet, width: 0.75, points: { show: false } },
      ],
      // 15 % of the text's own colour: a band, and never a colour of its own.
      bands: [{ series: [5, 4], fill: `${text}26` }],
    },
    columns(drawn),
    place,
  );
}
