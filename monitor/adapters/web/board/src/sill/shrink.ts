// Draws a line smaller where it would be too high: on a wall a row that is cut hides doors, one that is small does not.

import { drawSillLine } from "./scene.ts";
import type { SillInput } from "./types.ts";

/** At the smallest a letter of the wall still fills 12 minutes of arc at five metres. */
const SHARES = [1, 0.87, 0.75, 0.62] as const;

/** The line at the largest size at which it is no higher than `most`, px, or at the smallest there is. */
export function shrinkLine(input: SillInput, most: number): SillInput {
  let shrunk = input;
  for (const share of SHARES) {
    shrunk = { ...input, size: input.size * share, unit: input.unit * share };
    if (drawSillLine(shrunk).height <= most) break;
  }
  return shrunk;
}
