// How many aircraft need somebody, in one sentence.

import { useComputed } from "@preact/signals";
import { countNeeds } from "../apron/order.ts";
import { model, type AircraftView } from "../live/model.ts";
import { undrawn } from "./Boundary.tsx";
import { t, tCount } from "../words.ts";

export function Summary() {
  const text = useComputed(() => {
    if (model.health.value === null) return "";
    const views = model.registrations.value.map((each) => model.view(each).value).filter((view): view is AircraftView => view !== null);
    const { now, dealt, quiet } = countNeeds(views, undrawn.value);
    return t("summary", { now: tCount("summary.now", now), dealt: tCount("summary.dealt", dealt), quiet: tCount("summary.quiet", quiet) });
  });
  return <p class="summary">{text}</p>;
}
