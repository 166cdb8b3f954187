// Times beside alerts: how long ago, how long still, and the clock of the site. Each redraws itself alone.

import { useComputed } from "@preact/signals";
import { model } from "../live/model.ts";
import { now } from "../live/stream.ts";
import { clockTime, duration } from "../times.ts";
import { t } from "../words.ts";

/** "38 s ago (09:41:07)". */
export function Ago({ at }: { at: string }) {
  const ms = Date.parse(at);
  const text = useComputed(() => t("ago", { duration: duration(now.value - ms) }));
  return (
    <time dateTime={at} title={t("clock.utc", { time: clockTime(ms, "UTC") })}>
      {text} ({clockTime(ms, model.timezone.value)})
    </time>
  );
}

/** "12 min 05 s left, until 09:53:12". */
export function Left({ until }: { until: string }) {
  const ms = Date.parse(until);
  const left = useComputed(() => duration(ms - now.value));
  return (
    <time dateTime={until} title={t("clock.utc", { time: clockTime(ms, "UTC") })} class="alert-left">
      {t("alerts.left", { time: clockTime(ms, model.timezone.value) })} <b>{left}</b>
    </time>
  );
}
