// In what order the aircraft stand: the most urgent first, then by stand, and never under somebody's hand.

import { counts, isOver } from "../sill/gather.ts";
import type { AircraftRow, AlertDocument } from "../wire.ts";

export interface Placed {
  row: Pick<AircraftRow, "aircraft" | "type" | "stand" | "presence" | "feed">;
  doors: Pick<ReadonlyMap<string, unknown>, "size">;
  readiness: object | null;
  alerts: readonly Pick<AlertDocument, "priority" | "state" | "active">[];
}

/** From the most urgent, 0, to what is listed for completeness alone. */
export const RANKS = [
  "warning nobody has",
  "warning",
  "caution nobody has",
  "caution",
  "over",
  "not heard",
  "advisory",
  "calm",
  "powered down",
  "away",
  "left on the broker",
] as const;
export type Rank = (typeof RANKS)[number];

const NONE: ReadonlySet<string> = new Set();

/** Say how urgent an aircraft is. What cannot be judged, or drawn, comes before what is merely advised on. */
export function rankOf({ row, doors, readiness, alerts }: Placed, undrawn = NONE): Rank {
  const shown = alerts.filter((alert) => counts(alert) && !isOver(alert));
  const has = (priority: string): boolean => shown.some((alert) => alert.priority === priority);
  const waits = (priority: string): boolean => shown.some((alert) => alert.priority === priority && alert.state === "unacknowledged");
  if (waits("warning")) return "warning nobody has";
  if (has("warning")) return "warning";
  if (waits("caution")) return "caution nobody has";
  if (has("caution")) return "caution";
  if (alerts.some(isOver)) return "over";
  if (undrawn.has(row.aircraft)) return "not heard";
  if (row.feed === "left-on-broker") return "left on the broker";
  if (row.presence === "away") return "away";
  if (row.presence === "powered_down") return "powered down";
  // Of no known type, or with no door or answer told of, it is as little judged as if nothing were heard.
  if (row.feed !== "live" || !row.type || doors.size === 0 || readiness === null) return "not heard";
  return has("advisory") ? "advisory" : "calm";
}

/** Tell whether a row is drawn small, at the end. */
export const isQuiet = (rank: Rank): boolean => rank === "powered down" || rank === "away" || rank === "left on the broker";

/** Order aircraft: by rank, then by stand as a person counts ("S9" before "S11"), those at none last. */
export function orderAircraft(aircraft: readonly Placed[], undrawn = NONE): string[] {
  const natural = new Intl.Collator("en", { numeric: true });
  const keyed = aircraft.map((each) => ({ each, rank: RANKS.indexOf(rankOf(each, undrawn)) }));
  keyed.sort(
    (a, b) =>
      a.rank - b.rank ||
      Number(a.each.row.stand === "") - Number(b.each.row.stand === "") ||
      natural.compare(a.each.row.stand, b.each.row.stand) ||
      natural.compare(a.each.row.aircraft, b.each.row.aircraft),
  );
  return keyed.map(({ each }) => each.row.aircraft);
}

/** What is shown next: the order wanted, or, while it is held, the order shown, those that left in their places, with whoever came since at its end. */
export function nextOrder(shown: readonly string[], wanted: readonly string[], held: boolean): { order: readonly string[]; waiting: boolean } {
  const keep = (order: readonly string[]): readonly string[] =>
    order.length === shown.length && order.every((each, at) => each === shown[at]) ? shown : order;
  if (!held) return { order: keep(wanted), waiting: false };
  const before = new Set(shown);
  const order = [...shown, ...wanted.filter((each) => !before.has(each))];
  return { order: keep(order), waiting: order.length !== wanted.length || order.some((each, at) => each !== wanted[at]) };
}

/** How many aircraft need somebody now, are being dealt with, and are quiet. */
export function countNeeds(aircraft: readonly Placed[], undrawn = NONE): { now: number; dealt: number; quiet: number } {
  const found = { now: 0, dealt: 0, quiet: 0 };
  for (const each of aircraft) {
    const rank = rankOf(each, undrawn);
    if (rank === "warning nobody has" || rank === "caution nobody has" || rank === "over" || rank === "not heard") found.now += 1;
    else if (rank === "warning" || rank === "caution") found.dealt += 1;
    else found.quiet += 1;
  }
  return found;
}
