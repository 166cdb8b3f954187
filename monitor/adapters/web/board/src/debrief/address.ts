// What a debrief is of, as it stands in the page's address and in the question to the service: what is shown can be
// linked to. Owns no words and asks no clock.

import { readWallTime } from "../alerts/record.ts";

export const KINDS = ["drill", "aircraft", "stand", "site"] as const;
export type Kind = (typeof KINDS)[number];

export interface Asked {
  kind: Kind;
  /** A permit's id, and the one beside which it is set. */
  drill: string;
  beside: string;
  aircraft: string;
  door: string;
  stand: string;
  /** Wall times "2026-03-01T10:15" in `zone`, or an age such as "2h". */
  since: string;
  until: string;
  /** An IANA name; empty for the site's own. */
  zone: string;
}

export const NOTHING_ASKED: Asked = {
  kind: "site",
  drill: "",
  beside: "",
  aircraft: "",
  door: "",
  stand: "",
  since: "",
  until: "",
  zone: "",
};

/** How far back a debrief reaches where nobody says it. */
export const AGES = ["30min", "2h", "8h", "24h", "7d"] as const;

const WALL_TIME = /^\d{4}-\d\d-\d\dT\d\d:\d\d$/;
const AGE = /^\d{1,9}(s|min|h|d)$/;
const LENGTH_MAX = 80;

/** Whether a text is an age such as "30min". */
export const isAge = (text: string): boolean => AGE.test(text);

/** Read an address's query; null where it asks for nothing. What is not understood is left out. */
export function readAsked(query: string): Asked | null {
  const found = new URLSearchParams(query);
  const word = (name: string): string => (found.get(name) ?? "").trim().slice(0, LENGTH_MAX);
  const time = (name: string): string => (WALL_TIME.test(word(name)) || isAge(word(name)) ? word(name) : "");
  const asked: Asked = {
    ...NOTHING_ASKED,
    drill: word("drill"),
    beside: word("with"),
    aircraft: word("aircraft").toUpperCase(),
    door: word("door"),
    stand: word("stand"),
    since: time("since"),
    until: time("until"),
    zone: word("zone"),
  };
  if (asked.drill !== "") return { ...asked, kind: "drill" };
  if (asked.aircraft !== "") return { ...asked, kind: "aircraft" };
  if (asked.stand !== "") return { ...asked, kind: "stand" };
  return asked.since !== "" || asked.until !== "" || found.has("site") ? { ...asked, kind: "site" } : null;
}

/** What names the subject, and nothing of the others. */
function subjectOf(asked: Asked): [string, string][] {
  switch (asked.kind) {
    case "drill":
      return [["drill", asked.drill], ["with", asked.beside]];
    case "aircraft":
      return [["aircraft", asked.aircraft], ["door", asked.door]];
    case "stand":
      return [["stand", asked.stand]];
    case "site":
      return [];
  }
}

const written = (pairs: readonly (readonly [string, string])[]): URLSearchParams =>
  new URLSearchParams(pairs.filter(([, value]) => value !== "").map(([name, value]): [string, string] => [name, value]));

/** The address of the page that shows it. */
export function pageAddress(asked: Asked): string {
  // A drill has its own beginning and end.
  const times: [string, string][] = asked.kind === "drill" ? [] : [["since", asked.since], ["until", asked.until]];
  const query = written([...subjectOf(asked), ...times, ["zone", asked.zone]]);
  if (asked.kind === "site" && !query.has("since") && !query.has("until")) query.set("site", "");
  return `/debrief?${query.toString()}`;
}

/** A moment as the service takes it: an age as it is, a wall time with its offset. */
function moment(text: string, zone: string): string {
  if (text === "" || isAge(text)) return text;
  const ms = readWallTime(text, zone);
  return ms === null ? "" : new Date(ms).toISOString();
}

/** The question to the service; `zone` is the one that wall times are in, `format` a file's. */
export function questionOf(asked: Asked, zone: string, format = ""): string {
  const times: [string, string][] =
    asked.kind === "drill" ? [] : [["since", moment(asked.since, zone)], ["until", moment(asked.until, zone)]];
  const query = written([...subjectOf(asked), ...times, ["zone", asked.zone || zone], ["format", format]]);
  const path = asked.kind === "drill" && asked.beside !== "" ? "/api/v1/debrief/compare" : "/api/v1/debrief";
  return `${path}?${query.toString()}`;
}

/** What can be downloaded, by its format; the readings alone are in the last two. */
export const FORMATS = ["html", "pdf", "md", "csv", "parquet"] as const;
/** Those of what is no record of readings. */
export const FORMATS_TO_READ = ["html", "pdf", "md"] as const;
