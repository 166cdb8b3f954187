// The word without which nothing of a simulated aircraft is shown.

import { t } from "../words.ts";

/** Stands beside the aircraft's name, set off by a space for whoever hears it. */
export function Simulated() {
  return (
    <>
      {" "}
      <span class="simulated">{t("simulated")}</span>
    </>
  );
}
