// Brings together what the type says of an aircraft's doors, what is known of each, and its alerts.

import type { AirframeType, AlertDocument, DoorDocument, DoorType, StandDocument } from "../wire.ts";
import type { DoorAlert, SillDoor } from "./types.ts";

/** Alerts that were put away: by a person, for a time, or by a rule that says why. */
const PUT_AWAY = new Set(["normal", "shelved", "suppressed", "out_of_service"]);

/** Tell whether an alert is to be shown as one. */
export const counts = (alert: Pick<AlertDocument, "state">): boolean => !PUT_AWAY.has(alert.state);

/** Tell whether an alert holds no more and only waits for somebody to say that they saw it. */
export const isOver = (alert: Pick<AlertDocument, "state">): boolean => alert.state === "rtn_unacknowledged";

/** The larger of wind and gust, kt; null where neither is known. */
export function windOf(stand: StandDocument | undefined): number | null {
  const known = [stand?.wind_kt, stand?.gust_kt].filter((each) => typeof each === "number");
  return known.length === 0 ? null : Math.max(...known);
}

function lastBool(document: DoorDocument | undefined, signal: string): boolean | null {
  const value = document?.evidence.find((each) => each.signal === signal)?.value;
  return typeof value === "boolean" ? value : null;
}

function knownTrue(document: DoorDocument | undefined, signal: string): boolean {
  return document?.evidence.some((each) => each.signal === signal && each.value === true && !each.stale && each.quality === "good") ?? false;
}

function gatherDoor(name: string, type: DoorType | undefined, document: DoorDocument | undefined, alerts: readonly DoorAlert[]): SillDoor {
  const closed = lastBool(document, "closed");
  const since = document === undefined ? Number.NaN : Date.parse(document.since);
  return {
    door: name,
    kind: type?.kind ?? document?.kind ?? "",
    side: type?.side ?? "none",
    sill_m: type?.sill_m ?? null,
    wind_moved_kt: type?.wind_moved_kt ?? null,
    wind_held_kt: type?.wind_held_kt ?? null,
    tellsAccess: type?.signals.includes("access") ?? false,
    state: document?.state ?? "unknown",
    slide: document?.slide ?? (type?.slide === false ? "none" : "unknown"),
    travel: document?.travel ?? null,
    access: document?.access ?? null,
    barrier: document?.barrier ?? null,
    handle: knownTrue(document, "handle_lifted") || knownTrue(document, "outside_handle_lifted") || null,
    lastOut: closed === null ? null : !closed,
    since: Number.isNaN(since) ? null : since,
    blind: document?.blind ?? false,
    quality: document?.quality ?? "bad",
    alerts,
  };
}

/** Every door of an aircraft, nose to tail; of an unknown type, those that were heard of. */
export function gatherDoors(
  type: AirframeType | undefined,
  documents: ReadonlyMap<string, DoorDocument>,
  alerts: readonly AlertDocument[],
): SillDoor[] {
  const byDoor = new Map<string, DoorAlert[]>();
  for (const alert of alerts) {
    if (alert.door === "-" || !counts(alert)) continue;
    const list = byDoor.get(alert.door) ?? [];
    list.push({ priority: alert.priority, waiting: alert.state === "unacknowledged", over: isOver(alert) });
    byDoor.set(alert.door, list);
  }
  const typed = type?.doors ?? [];
  const named = new Set(typed.map((each) => each.door));
  const others = [...documents.keys()].filter((name) => !named.has(name));
  return [
    ...typed.map((each) => gatherDoor(each.door, each, documents.get(each.door), byDoor.get(each.door) ?? [])),
    ...others.map((name) => gatherDoor(name, undefined, documents.get(name), byDoor.get(name) ?? [])),
  ];
}
