// Moments and lengths as a debrief writes them: with their day where it has more than one, and always with the offset.

import { duration } from "../times.ts";

const formats = new Map<string, Intl.DateTimeFormat>();

function offsets(zone: string): Intl.DateTimeFormat {
  let made = formats.get(zone);
  if (made === undefined) {
    made = new Intl.DateTimeFormat("en-US", { timeZone: zone, timeZoneName: "longOffset" });
    formats.set(zone, made);
  }
  return made;
}

/** The zone itself, or UTC where this browser does not know it. */
export function knownZone(zone: string): string {
  try {
    offsets(zone).resolvedOptions();
    return zone;
  } catch {
    return "UTC";
  }
}

/** "+02:00", or "UTC" where there is none. */
export function offsetAt(ms: number, zone: string): string {
  const name = offsets(zone).formatToParts(ms).find((part) => part.type === "timeZoneName")?.value ?? "";
  const offset = name.replace("GMT", "");
  return offset === "" || offset === "+00:00" ? "UTC" : offset;
}

/** Every offset that a zone has between two moments: two where the clocks were changed in between. */
export const offsetsOf = (since: number, until: number, zone: string): string[] => [
  ...new Set([offsetAt(since, zone), offsetAt(until, zone)]),
];

/** A response in words: seconds as they are, one that nobody gave as nothing. */
export const seconds = (s: number | null | undefined): string | null => (typeof s === "number" ? duration(s * 1000) : null);
