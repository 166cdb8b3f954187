// The lanes of a timeline: the aircraft's own where something was raised of it, and one a door, each with its bands and
// alerts. Owns which stretch is shown and how much of it is vouched for; draws nothing, says nothing and asks no clock.

import type { Look } from "./axis.ts";
import { listBands, stackAlerts, type AlertSpan, type Band, type Window } from "./bands.ts";
import type { TimelineDocument } from "./documents.ts";

/** Stands for the aircraft as a whole. */
export const WHOLE = "-";

export interface LaneData {
  name: string;
  bands: Band[];
  spans: AlertSpan[];
}

/**
 * What is looked at, ending at `until` (ms). Following the present it is vouched for until then, or until the earliest
 * of `unheard`: the moments from which on something may have been missed. The past is vouched for as far as it was asked.
 */
export function windowOf(
  look: Look,
  until: number,
  timeline: TimelineDocument | null,
  unheard: readonly (number | null)[],
): Window {
  const proved =
    look.until === null
      ? Math.min(until, ...unheard.filter((at) => at !== null))
      : timeline === null
        ? 0
        : Date.parse(timeline.until);
  return { since: until - look.span, until, proved };
}

/** The lanes of an aircraft's doors in their order, its own before them; `apart` (ms) is how much room a mark takes. */
export function makeLanes(
  timeline: TimelineDocument | null,
  doors: readonly string[],
  window: Window,
  apart: number,
): LaneData[] {
  if (timeline === null) return doors.map((name) => ({ name, bands: [], spans: [] }));
  const makeLane = (name: string): LaneData => ({
    name,
    bands: listBands(timeline, name, window),
    spans: stackAlerts(timeline.alerts, name, window, apart),
  });
  const whole = makeLane(WHOLE);
  // The aircraft itself has no state: of its lane only alerts and the times without a monitor are drawn.
  whole.bands = whole.bands.filter((band) => band.kind === "not-running");
  return [...(whole.spans.length > 0 ? [whole] : []), ...doors.map(makeLane)];
}
