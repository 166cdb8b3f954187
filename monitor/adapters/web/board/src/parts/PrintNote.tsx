// On paper only: of which moment the picture is, and that it is no longer live.

import { model } from "../live/model.ts";
import { notLive, now } from "../live/stream.ts";
import { calendarDay, clockTime } from "../times.ts";
import { t } from "../words.ts";

export function PrintNote() {
  const at = notLive.value?.since ?? now.value;
  const zone = model.timezone.value;
  return <p class="print-only">{t("print.picture", { time: clockTime(at, zone), day: calendarDay(at, zone) })}</p>;
}
