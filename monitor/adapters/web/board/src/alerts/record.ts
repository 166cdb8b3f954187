// The record: pages of past events and of people's actions, joined with what comes in meanwhile.

import type { EventDocument } from "../wire.ts";
import type { PageFilter } from "./filter.ts";

export interface Page<Item> {
  items: Item[];
  next: string | null;
}

export interface AuditDocument {
  time: string;
  by: string;
  action: string;
  subject: string;
  reason: string;
  before: string | null;
  after: string | null;
  origin: string;
  simulated?: boolean;
}

const PREFIX = "sillwatch.alert.";

/** "sillwatch.alert.raised" → "raised"; a word alone stays as it is. */
export const eventWord = (type: string): string => (type.startsWith(PREFIX) ? type.slice(PREFIX.length) : type);

const BY_PEOPLE: ReadonlySet<string> = new Set(["acknowledged", "unacknowledged", "shelved", "unshelved", "reset"]);

/** Whether such a change is a person's: the document of any later one still names whoever acted last. */
export const isByPeople = (word: string): boolean => BY_PEOPLE.has(word);

const WALL_TIME = /^\d{4}-\d\d-\d\dT\d\d:\d\d$/;

/**
 * A wall time "2026-03-01T10:15" of a zone → ms since 1970; null where it cannot be read.
 * Of a time that comes twice (clocks go back) the first is meant; one that is left out counts as the one after it.
 */
export function readWallTime(text: string, zone: string): number | null {
  const asUtc = WALL_TIME.test(text) ? Date.parse(`${text}:00Z`) : Number.NaN;
  if (Number.isNaN(asUtc)) return null;
  const shown = new Intl.DateTimeFormat("en-US", {
    timeZone: zone,
    hourCycle: "h23",
    year: "numeric",
    month: "numeric",
    day: "numeric",
    hour: "numeric",
    minute: "numeric",
  });
  const offsetAt = (ms: number): number => {
    const parts = new Map(shown.formatToParts(ms).map((part) => [part.type, Number(part.value)]));
    const part = (name: Intl.DateTimeFormatPartTypes): number => parts.get(name) ?? 0;
    return Date.UTC(part("year"), part("month") - 1, part("day"), part("hour"), part("minute")) - ms;
  };
  // The zone's offset a day before and a day after are the only two that can hold at that time.
  const day = 86_400_000;
  const offsets = [offsetAt(asUtc - day), offsetAt(asUtc + day)];
  const meant = offsets.map((offset) => asUtc - offset).filter((ms) => ms + offsetAt(ms) === asUtc);
  return meant.length > 0 ? Math.min(...meant) : asUtc - Math.min(...offsets);
}

/** The question to the service for one page of the history. */
export function historyAddress(filter: PageFilter, zone: string, after: string | null, limit: number): string {
  const query = new URLSearchParams({ limit: String(limit) });
  if (filter.aircraft.trim() !== "") query.set("aircraft", filter.aircraft.trim().toUpperCase());
  if (filter.door.trim() !== "") query.set("door", filter.door.trim());
  if (filter.code.trim() !== "") query.set("code", filter.code.trim());
  for (const name of ["since", "until"] as const) {
    const ms = filter[name] === "" ? null : readWallTime(filter[name], zone);
    if (ms !== null) query.set(name, new Date(ms).toISOString());
  }
  if (after !== null) query.set("after", after);
  return `/api/v1/history?${query.toString()}`;
}

/** Whether an event belongs to a history that is filtered so. */
export function isWanted(event: EventDocument, filter: PageFilter, zone: string): boolean {
  if (filter.aircraft.trim() !== "" && event.aircraft !== filter.aircraft.trim().toUpperCase()) return false;
  if (filter.door.trim() !== "" && event.door !== filter.door.trim()) return false;
  if (filter.code.trim() !== "" && event.code !== filter.code.trim()) return false;
  const at = Date.parse(event.time);
  const since = filter.since === "" ? null : readWallTime(filter.since, zone);
  const until = filter.until === "" ? null : readWallTime(filter.until, zone);
  return (since === null || at >= since) && (until === null || at < until);
}

/** Newer events before those already listed, each once. */
export function joinEvents(
  live: readonly EventDocument[],
  listed: readonly EventDocument[],
  filter: PageFilter,
  zone: string,
): EventDocument[] {
  const known = new Set(listed.map((event) => event.id));
  const newest = listed[0] === undefined ? Number.NEGATIVE_INFINITY : Date.parse(listed[0].time);
  // What is older than the listed pages belongs to a page that was not asked for yet.
  const came = live.filter(
    (event) => !known.has(event.id) && Date.parse(event.time) >= newest && isWanted(event, filter, zone),
  );
  return [...came, ...listed];
}

export interface Subject {
  aircraft: string;
  door: string;
  /** A hazard's code, or another rest of the words. */
  what: string;
}

/** "ZZ-KAT/L2/armed-handle-moved/a2ac…" → its parts; "ZZ-KAT" and "ZZ-KAT/L2" too. */
export function readSubject(subject: string): Subject {
  const [aircraft = "", door = "", what = ""] = subject.split("/");
  return { aircraft, door, what };
}
