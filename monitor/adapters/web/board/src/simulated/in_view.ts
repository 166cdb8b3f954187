// Whether everything that is in view is simulated. Of a page that tells of the past only what it shows can say so.

import { computed, signal, type ReadonlySignal, type Signal } from "@preact/signals";
import { filter } from "../alerts/holding.ts";
import { model } from "../live/model.ts";
import { route } from "../route.ts";

/** Set by a page that shows a record: whether that is of simulated aircraft alone; null while it shows none. */
export const recordSimulated: Signal<boolean | null> = signal(null);

const isSimulated = (registration: string): boolean => model.view(registration).value?.row.simulated === true;

/** True where nothing real is in view, and something is. */
export const allSimulated: ReadonlySignal<boolean> = computed(() => {
  const shown = route.value;
  switch (shown.page) {
    case "aircraft":
      return isSimulated(shown.registration);
    case "debrief":
    case "handover":
      return recordSimulated.value === true;
    case "alerts":
      if (filter.value.view !== "now") return false;
      break;
    case "health":
    case "none":
      return false;
    case "apron":
      break;
  }
  const known = model.registrations.value;
  return known.length > 0 && known.every(isSimulated);
});
