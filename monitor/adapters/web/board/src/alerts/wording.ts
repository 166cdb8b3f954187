// Alerts in words: where, what is known of them, what is said of them.

import { foreign } from "../foreign.ts";
import type { AlertDocument } from "../wire.ts";
import { t, tAny, tCount } from "../words.ts";
import type { Piece } from "./sounding.ts";

const NOBODY = "unnamed";
/** Stands for the aircraft as a whole, or for the site. */
export const WHOLE = "-";

type Placed = Pick<AlertDocument, "aircraft" | "door" | "stand">;

/** "R2 of ZZ-KAT on S12", as somebody says it. */
export function sayPlace({ aircraft, door, stand }: Placed): string {
  if (aircraft === WHOLE) return t("alerts.place.site");
  const where = door === WHOLE ? aircraft : t("alerts.place.door", { door, aircraft });
  return stand === "" ? where : t("alerts.place.stand", { where, stand });
}

/** The address that shows where an alert is. */
export function placeAddress({ aircraft, door }: Pick<AlertDocument, "aircraft" | "door">): string {
  if (aircraft === WHOLE) return "/health";
  return door === WHOLE ? `/aircraft/${aircraft}` : `/aircraft/${aircraft}?door=${encodeURIComponent(door)}`;
}

/** "Warning", or the word itself where it is another. */
export const priorityWord = (priority: string): string => tAny(`priority.${priority}`, priority);

/** A role in words, or its name where there are none. */
export const nameRole = (role: string): string => tAny(`role.${role}`, role);

/** What an alert calls for: in the reader's language where that has words for it, else as the service says it, in English. */
export function actionOf({ code, action }: Pick<AlertDocument, "code" | "action">): { text: string; lang: "en" | undefined } {
  const own = tAny(`alert.${code}.action`, "");
  return own === "" ? { text: action, lang: "en" } : { text: own, lang: undefined };
}

/** Who acted, as it is shown. */
/** A person by name; null where whoever asks is not told names. */
export const nameOf = (by: string | null | undefined): string => (by == null || by === NOBODY ? t("alerts.unnamed") : foreign(by));

const withReason = (sentence: string, reason: string | null | undefined): string =>
  reason == null || reason === "" ? `${sentence}.` : `${sentence}: ${foreign(reason)}.`;

/** Who has an alert, and why: one sentence. */
export function sayHolder(alert: AlertDocument): string {
  const by = nameOf(alert.by);
  switch (alert.state) {
    case "unacknowledged":
      if (alert.by == null && !alert.reason) return t("alerts.who.nobody");
      return `${t("alerts.who.nobody")} ${withReason(alert.by == null ? t("alerts.who.back") : t("alerts.who.lastly", { by }), alert.reason)}`;
    case "rtn_unacknowledged":
      return t("alerts.who.over");
    case "acknowledged":
      return withReason(t("alerts.who.has", { by }), alert.reason);
    case "latched":
      return withReason(t("alerts.who.latched", { by }), alert.reason);
    case "shelved":
      return withReason(t("alerts.who.shelved", { by }), alert.reason);
    case "suppressed":
      return t("alerts.who.suppressed");
    case "out_of_service":
      return withReason(t("alerts.who.out"), alert.reason);
    default:
      return alert.state.replaceAll("_", " ");
  }
}

/** Who is asked to act, and whether somebody else was asked in vain. */
export function sayRole(alert: AlertDocument): string {
  return t(alert.escalated === true ? "alerts.role.escalated" : "alerts.role", { role: nameRole(alert.role) });
}

/** What else must be known of an alert, each as its own short words. */
export function listFlags(alert: AlertDocument): string[] {
  const flags: string[] = [];
  if (alert.on_no_screen === true) flags.push(t("alerts.flag.no_screen"));
  if (alert.blind === true) flags.push(t("alerts.flag.blind"));
  if (alert.late === true) flags.push(t("alerts.flag.late"));
  if (alert.drill === true) flags.push(t("alerts.flag.drill"));
  return flags;
}

const PLACES_SAID = 3;

/** News of one urgency as one text: whole when it is one, summed up when it is a burst. */
export function sayNews(pieces: readonly Piece[]): string {
  const [first] = pieces;
  if (first === undefined) return "";
  const { alert } = first;
  const priority = priorityWord(alert.priority);
  if (pieces.length === 1) {
    const place = alert.simulated === true ? `${sayPlace(alert)}, ${t("simulated")}` : sayPlace(alert);
    const key = first.kind === "new" ? "alerts.said.new" : "alerts.said.escalated";
    return t(key, { priority, place, action: actionOf(alert).text, role: nameRole(alert.role) });
  }
  const places = pieces.slice(0, PLACES_SAID).map((piece) => sayPlace(piece.alert)).join("; ");
  const more = pieces.length - PLACES_SAID;
  const summary = tCount(pieces.every((piece) => piece.kind === "new") ? `alerts.said.burst.${alert.priority}` : "alerts.said.burst.mixed", pieces.length, { places });
  return [summary, more > 0 ? tCount("alerts.said.more", more) : "", t("alerts.said.first", { action: actionOf(alert).text })].filter(Boolean).join(" ");
}

/** A reading's value as it is shown. */
export function sayValue(value: unknown): string {
  if (value === null || value === undefined) return t("alerts.evidence.none");
  if (typeof value === "boolean") return t(value ? "alerts.evidence.yes" : "alerts.evidence.no");
  if (typeof value === "number") return String(Math.round(value * 1000) / 1000);
  return typeof value === "string" ? value.replaceAll("_", " ") : JSON.stringify(value);
}
