// The shapes of a step: each told apart without a colour. None is an alert's, and what is not known is hollow and torn.

import type { StepState, Trouble } from "./run.ts";

export type Shape = StepState | "forbidden";

export const TROUBLE_SHAPES: Readonly<Record<Trouble, Shape>> = {
  skipped: "skipped",
  out_of_order: "out-of-order",
  too_slow: "too-slow",
  forbidden: "forbidden",
  cannot_tell: "cannot-tell",
  unseen: "cannot-tell",
};

const DRAWN = {
  waiting: <circle class="step-line" r="3" />,
  due: (
    <>
      <circle class="step-line step-heavy" r="6" />
      <path class="step-fill" d="M-2-3.4L3.4 0-2 3.4Z" />
    </>
  ),
  taken: <circle class="step-fill" r="5.5" />,
  skipped: (
    <>
      <circle class="step-line" r="6" />
      <path class="step-line step-heavy" d="M-6.8 6.8L6.8-6.8" />
    </>
  ),
  "out-of-order": (
    <path class="step-line step-heavy" d="M-7-4H-3L3 4H7M-7 4H-3L3-4H7M4.5-6.5L7-4 4.5-1.5M4.5 1.5L7 4 4.5 6.5" />
  ),
  "too-slow": (
    <>
      <circle class="step-fill" r="7" />
      <path class="step-cut" d="M0-4.5V0.5L3 2.5" />
    </>
  ),
  "cannot-tell": <circle class="step-line step-torn" r="6" />,
  forbidden: (
    <>
      <rect class="step-fill" x="-7" y="-7" width="14" height="14" />
      <rect class="step-cut-fill" x="-4.5" y="-1.5" width="9" height="3" />
    </>
  ),
} as const;

/** The word stands beside it. */
export function StepShape({ state }: { state: Shape }) {
  return (
    <svg class="step-shape" viewBox="-8.5 -8.5 17 17" width="17" height="17" aria-hidden="true">
      {DRAWN[state]}
    </svg>
  );
}
