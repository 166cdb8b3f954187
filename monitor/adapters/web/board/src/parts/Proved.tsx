// That a handle lifted at a door would be seen here: when that was last proved, and how long it took.

import { now } from "../live/stream.ts";
import { model, placeOf } from "../live/model.ts";
import { duration } from "../times.ts";
import type { Proof } from "../wire.ts";
import { t } from "../words.ts";

const MISSED = placeOf({ aircraft: "-", door: "-", code: "proof-missed" });

/** Small and quiet: that none comes any more is an alert of its own. */
export function Proved({ proof }: { proof: Proof | null }) {
  if (proof === null) return null;
  if (proof.at === null) return <p class="proof">{t("proof.none")}</p>;
  // Whole seconds from the first on: tenths would flicker.
  const since = Math.max(0, now.value - Date.parse(proof.at));
  const age = since < 2000 ? `${Math.floor(since / 1000)} s` : duration(since);
  if (model.alerts.value.get(MISSED)?.active) return <p class="proof proof-missed">{t("proof.missed", { age })}</p>;
  return <p class="proof">{t("proof", { age, took: Math.round(proof.took_ms ?? 0) })}</p>;
}
