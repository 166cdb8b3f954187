// The band over a page on which nothing is real: said once more, over all of it, and in the same place on every page.

import { t } from "../words.ts";
import { allSimulated } from "./in_view.ts";

export function SimulatedBand() {
  if (!allSimulated.value) return null;
  return (
    <section class="simulated-band" aria-label={t("simulated")}>
      <p>{t("simulated.all")}</p>
    </section>
  );
}
