// Which alerts are shown, in which groups and in which order. Decides only; draws nothing.

import { placeOf } from "../live/model.ts";
import type { AlertDocument, Priority } from "../wire.ts";

export type Group = "waiting" | "handled" | "aside";
export const GROUPS: readonly Group[] = ["waiting", "handled", "aside"];

const RANKS: Readonly<Record<string, number>> = { warning: 0, caution: 1, advisory: 2 };
const GROUP_OF: Readonly<Record<string, Group>> = {
  unacknowledged: "waiting",
  rtn_unacknowledged: "waiting",
  acknowledged: "handled",
  latched: "handled",
  shelved: "aside",
  suppressed: "aside",
  out_of_service: "aside",
};

/** 0 for a warning, growing as it matters less; a word that is not known comes last. */
export const rankOf = (priority: string): number => RANKS[priority] ?? 3;

/** Where an alert belongs; a state that is not known waits for somebody: it is never calm. */
export const groupOf = (alert: { state: string }): Group => GROUP_OF[alert.state] ?? "waiting";

/** Of times too: the service writes each to the millisecond, in UTC. */
const compareTexts = (a: string, b: string): number => (a < b ? -1 : a > b ? 1 : 0);

/** Most urgent first, then what stands before what is over, then the newest. */
export function compareAlerts(a: AlertDocument, b: AlertDocument): number {
  return (
    rankOf(a.priority) - rankOf(b.priority) ||
    Number(a.state === "rtn_unacknowledged") - Number(b.state === "rtn_unacknowledged") ||
    compareTexts(b.raised_at, a.raised_at) ||
    compareTexts(a.alert_id, b.alert_id)
  );
}

export interface AlertFilter {
  priority: Priority | "";
  aircraft: string;
  stand: string;
  door: string;
  text: string;
}

/** Whether an alert is wanted; an empty place of the filter wants everything. */
export function matches(alert: AlertDocument, filter: AlertFilter): boolean {
  if (filter.priority !== "" && alert.priority !== filter.priority) return false;
  for (const name of ["aircraft", "stand", "door"] as const) {
    const wanted = filter[name].trim().toLowerCase();
    if (wanted !== "" && alert[name].toLowerCase() !== wanted) return false;
  }
  const text = filter.text.trim().toLowerCase();
  if (text === "") return true;
  const words = [alert.text, alert.action, alert.consequence, alert.code, alert.code.replaceAll("-", " ")];
  return [...words, alert.by ?? "", alert.reason ?? ""].some((each) => each.toLowerCase().includes(text));
}

/** One line of the list: its place, and the alert as it was last known there. */
export interface Line {
  place: string;
  alert: AlertDocument;
  /** It has ended since; it stays where it is while somebody works on the list. */
  over: boolean;
}

export type Layout = Readonly<Record<Group, readonly Line[]>> & {
  /** What came while the list stood still. */
  meanwhile: readonly Line[];
};

const EMPTY: Layout = { waiting: [], handled: [], aside: [], meanwhile: [] };

/** Every wanted alert in its group, in order. */
export function layOut(alerts: Iterable<AlertDocument>, filter: AlertFilter): Layout {
  const groups: Record<Group, Line[]> = { waiting: [], handled: [], aside: [] };
  for (const alert of [...alerts].filter((each) => matches(each, filter)).sort(compareAlerts)) {
    groups[groupOf(alert)].push({ place: placeOf(alert), alert, over: false });
  }
  return { ...EMPTY, ...groups };
}

/**
 * The same layout with newer alerts in it: nothing moves, nothing goes, and what is new stands apart.
 * Somebody's finger is on the list.
 */
export function keepStill(held: Layout, alerts: ReadonlyMap<string, AlertDocument>, filter: AlertFilter): Layout {
  const known = new Set<string>();
  const renew = (lines: readonly Line[]): Line[] =>
    lines.map((line) => {
      known.add(line.place);
      const alert = alerts.get(line.place);
      return alert === undefined ? { ...line, over: true } : { place: line.place, alert, over: false };
    });
  const kept = { waiting: renew(held.waiting), handled: renew(held.handled), aside: renew(held.aside) };
  const before = renew(held.meanwhile);
  const came = [...alerts.values()]
    .filter((each) => !known.has(placeOf(each)) && matches(each, filter))
    .sort(compareAlerts);
  return { ...kept, meanwhile: [...before, ...came.map((alert) => ({ place: placeOf(alert), alert, over: false }))] };
}

export type Act = "acknowledge" | "unacknowledge" | "shelve" | "unshelve" | "close";

/** A rule that asks for an answer within this many seconds is never shelved (the service refuses it too). */
export const SHELVABLE_FROM_S = 10;

/** Whether the service would shelve such an alert at all. */
export const isShelvable = (alert: AlertDocument): boolean =>
  alert.respond_within_s === null || alert.respond_within_s > SHELVABLE_FROM_S;

const ACTS: Readonly<Record<string, readonly Act[]>> = {
  unacknowledged: ["acknowledge", "shelve"],
  rtn_unacknowledged: ["acknowledge", "shelve"],
  acknowledged: ["unacknowledge", "shelve"],
  latched: ["unacknowledge", "shelve"],
  shelved: ["unshelve"],
};

/** What a person can do to an alert as it stands, the likeliest first. */
export function listActs(alert: AlertDocument): Act[] {
  const acts = (ACTS[alert.state] ?? []).filter((act) => act !== "shelve" || isShelvable(alert));
  const closable = alert.blind === true && alert.state !== "out_of_service" && alert.state !== "latched";
  return closable ? [...acts, "close"] : [...acts];
}

/** Whether somebody could look for shelving and must be told why it is not there. */
export const isShelvingWithheld = (alert: AlertDocument): boolean =>
  (ACTS[alert.state] ?? []).includes("shelve") && !isShelvable(alert);
