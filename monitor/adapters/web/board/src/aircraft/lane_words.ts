// A timeline in words: what a lane and a band are called, and what stood in a lane at a moment.

import { clockTime, duration } from "../times.ts";
import { t, tAny } from "../words.ts";
import { bandAt, type Band } from "./bands.ts";
import { WHOLE, type LaneData } from "./lanes.ts";

/** What a lane is called. */
export const laneWord = (name: string): string => (name === WHOLE ? t("aircraft.line.whole") : name);

/** What a band is called. */
export function bandWord(band: Band): string {
  if (band.kind === "not-running") return t("aircraft.line.notrunning");
  if (band.kind === "not-recorded") return t("aircraft.line.notrecorded");
  return tAny(`state.${band.state}`, band.state);
}

function sayState(lane: LaneData, at: number, zone: string): string {
  const band = bandAt(lane.bands, at);
  // The aircraft itself has no state to record.
  if (band === null) return lane.name === WHOLE ? "" : t("aircraft.line.notrecorded");
  if (band.kind !== "state") return bandWord(band);
  return t("aircraft.line.since", {
    state: bandWord(band),
    time: clockTime(band.since, zone),
    duration: duration(at - band.since),
  });
}

/** What stood in a lane at a moment (ms): the time, the state and since when, and every alert. */
export function sayMoment(lane: LaneData, at: number, zone: string): string {
  const place = laneWord(lane.name);
  const alerts = lane.spans
    .filter((span) => span.from <= at && at <= span.to)
    .map(({ alert }) => `${tAny(`priority.${alert.priority}`, alert.priority)}: ${alert.text}`);
  return [
    t("aircraft.line.at", { place, time: clockTime(at, zone), utc: clockTime(at, "UTC") }),
    sayState(lane, at, zone),
    ...alerts,
  ]
    .filter((each) => each !== "")
    .join(" ");
}
