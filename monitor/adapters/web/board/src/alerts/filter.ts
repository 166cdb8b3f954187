// The filter of the alerts page, as it stands in the page's address: what is shown can be linked to.

import type { Priority } from "../wire.ts";
import type { AlertFilter } from "./order.ts";

export type View = "now" | "history" | "audit";

export interface PageFilter extends AlertFilter {
  view: View;
  code: string;
  /** Wall times of the site, "2026-03-01T10:15", or empty. */
  since: string;
  until: string;
}

export const NO_FILTER: PageFilter = {
  view: "now",
  priority: "",
  aircraft: "",
  stand: "",
  door: "",
  text: "",
  code: "",
  since: "",
  until: "",
};

const NAMES = ["aircraft", "stand", "door", "text", "code", "since", "until"] as const;
const WALL_TIME = /^\d{4}-\d\d-\d\dT\d\d:\d\d$/;

/** Read an address's query; what is not understood is left out. */
export function readFilter(query: URLSearchParams): PageFilter {
  const filter: PageFilter = { ...NO_FILTER };
  const view = query.get("view");
  if (view === "history" || view === "audit") filter.view = view;
  const priority = query.get("priority");
  if (priority === "warning" || priority === "caution" || priority === "advisory") filter.priority = priority as Priority;
  for (const name of NAMES) filter[name] = (query.get(name) ?? "").slice(0, 64);
  for (const name of ["since", "until"] as const) if (!WALL_TIME.test(filter[name])) filter[name] = "";
  return filter;
}

/** The address of the alerts page with that filter. */
export function writeFilter(filter: PageFilter): string {
  const query = new URLSearchParams();
  if (filter.view !== "now") query.set("view", filter.view);
  if (filter.priority !== "") query.set("priority", filter.priority);
  for (const name of NAMES) if (filter[name].trim() !== "") query.set(name, filter[name].trim());
  const text = query.toString();
  return text === "" ? "/alerts" : `/alerts?${text}`;
}

/** Whether anything is filtered out in that view. */
export function isFiltered(filter: PageFilter): boolean {
  const names = filter.view === "now" ? NAMES.slice(0, 4) : (["aircraft", "door", "code", "since", "until"] as const);
  return (filter.view === "now" && filter.priority !== "") || names.some((name) => filter[name].trim() !== "");
}
