// How long each hazard could be seen, put together: hazards of a place that were watched alike are told once.

import type { HazardWatch, WatchedDocument } from "./documents.ts";

export interface WatchedGroup {
  codes: string[];
  watch: HazardWatch;
}

export interface WatchedPlace {
  door: string;
  /** The longest unwatched first. */
  groups: WatchedGroup[];
}

const keyOf = (watch: HazardWatch): string =>
  JSON.stringify(
    [watch.watched_minutes, watch.deaf_minutes, watch.not_known_minutes]
      .map((each) => each.toFixed(1))
      .concat(Object.keys(watch.reasons).sort()),
  );

/** Each place with its hazards, those alike to a tenth of a minute and in their reasons together. */
export function groupWatched(document: WatchedDocument): WatchedPlace[] {
  return Object.entries(document.doors).map(([door, hazards]) => {
    const groups = new Map<string, WatchedGroup>();
    for (const [code, watch] of Object.entries(hazards)) {
      const key = keyOf(watch);
      const group = groups.get(key);
      if (group === undefined) groups.set(key, { codes: [code], watch });
      else group.codes.push(code);
    }
    return { door, groups: [...groups.values()].sort((a, b) => a.watch.watched_minutes - b.watch.watched_minutes) };
  });
}
