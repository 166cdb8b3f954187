// The title of the page, which is all that is seen of one that lies behind others: whether it is live, how many
// warnings call for somebody, and what it shows.

import { effect } from "@preact/signals";
import { model } from "./live/model.ts";
import { notLive } from "./live/stream.ts";
import { route, type Route } from "./route.ts";
import { callsNow } from "./sound.ts";
import { t, tCount } from "./words.ts";

/** The title of a page with that many calling warnings. */
export function makeTitle(shown: Route, live: boolean, warnings: number): string {
  const page =
    shown.page === "aircraft" ? shown.registration : t(shown.page === "apron" && shown.wall ? "page.wall" : `page.${shown.page}`);
  const first = live ? (warnings > 0 ? tCount("title.warnings", warnings) : "") : t("title.notlive");
  return `${first === "" ? "" : `${first} `}${page} – Sillwatch`;
}

/** Keep the title for as long as the page lives. */
export function followTitle(): void {
  effect(() => {
    document.title = makeTitle(route.value, notLive.value === null && model.site.value !== "", callsNow.value);
  });
}
