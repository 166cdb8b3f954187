// The marks of the three priorities: told apart by their shape, then by their sign, and only then by colour.

import type { Priority } from "../wire.ts";

/** The outline of a mark about its middle, in a box of 24 by 24. */
const OUTLINES: Record<Priority, string> = {
  warning: "M0-11.4L11.4 0 0 11.4-11.4 0Z",
  caution: "M0-10.6L11.4 9.2H-11.4Z",
  advisory: "M-10 0a10 10 0 1 0 20 0a10 10 0 1 0-20 0Z",
};

/** "!" and "i", drawn: a letter would depend on the font. */
const SIGNS: Record<Priority, string> = {
  warning: "M-1.5-6.2h3l-.5 7.4h-2ZM-1.5 3.4h3v3h-3Z",
  caution: "M-1.4-4.4h2.8l-.5 6.2h-1.8ZM-1.4 3.7h2.8v2.8h-2.8Z",
  advisory: "M-1.4-6h2.8v2.8h-2.8ZM-1.4-1.8h2.8v7.6h-2.8Z",
};

/** The mark inside a drawing, `size` wide about x and y. */
export function MarkAt({ priority, x, y, size, kind }: { priority: Priority; x: number; y: number; size: number; kind: string }) {
  return (
    <g class={kind} transform={`translate(${x.toFixed(1)} ${y.toFixed(1)}) scale(${(size / 24).toFixed(3)})`}>
      <path class="mark-shape" d={OUTLINES[priority]} />
      <path class="mark-sign" d={SIGNS[priority]} />
    </g>
  );
}

/** The mark in a line of text, as high as the text; of an alert that is over, its outline. Its word stands beside it. */
export function Mark({ priority, over = false }: { priority: Priority; over?: boolean }) {
  return (
    <svg class="mark-inline" viewBox="-12 -12 24 24" aria-hidden="true">
      <MarkAt priority={priority} x={0} y={0} size={24} kind={over ? `mark ${priority} over` : `mark ${priority}`} />
    </svg>
  );
}
