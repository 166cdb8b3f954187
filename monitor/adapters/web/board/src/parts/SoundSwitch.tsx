// Whether warnings sound, in plain sight, and the one touch that lets them or silences them for a minute.

import { useComputed } from "@preact/signals";
import { now } from "../live/stream.ts";
import { callsNow, mutedUntil, muteForAMinute, soundOnce, soundState, turnOn } from "../sound.ts";
import { t } from "../words.ts";

export function SoundSwitch({ wall }: { wall: boolean }) {
  const state = soundState.value;
  const left = useComputed(() => Math.max(0, Math.ceil(((mutedUntil.value ?? 0) - now.value) / 1000)));
  const calls = callsNow.value > 0;
  const classes = ["sound", `sound-${state}`];
  if (wall) classes.push("sound-wall");
  if (state === "off") {
    return (
      <button type="button" class={classes.join(" ")} onClick={() => void turnOn()}>
        {t("sound.off")}
      </button>
    );
  }
  if (state === "muted") {
    return (
      <button type="button" class={classes.join(" ")} onClick={() => void turnOn()}>
        {t("sound.muted")} <span class="sound-left">{left} s</span>
      </button>
    );
  }
  return (
    <button type="button" class={classes.join(" ")} title={t(calls ? "sound.mute.why" : "sound.try")} onClick={calls ? muteForAMinute : soundOnce}>
      {t(calls ? "sound.mute" : "sound.on")}
    </button>
  );
}
