// The sound of a warning, and the words of one. A browser lets a page sound only after a touch, so until
// then the page says so; whenever the sound stops coming out it says so again.
//
// The pattern loops inside the audio engine: a page in the background has its timers slowed, not its sound.

import { computed, effect, signal, type ReadonlySignal, type Signal } from "@preact/signals";
import { findNews, holdMute, listSounding, makeDeaf, makePattern, MUTE_MS, type HeardAlerts, type Mute, type Piece } from "./alerts/sounding.ts";
import { sayNews } from "./alerts/wording.ts";
import { model } from "./live/model.ts";
import { notLive, now } from "./live/stream.ts";
import { route } from "./route.ts";
import { say } from "./said.ts";

export type SoundState = "off" | "on" | "muted";

const LEVEL = 0.5;
const FADE_S = 0.02;
/** News that come this soon after others are summed up. */
const GATHER_MS = 3_000;
const CHECK_MS = 2_000;

const running = signal(false);
const mute = signal<Mute | null>(null);
const sounding: ReadonlySignal<ReadonlySet<string>> = computed(() => listSounding(model.alerts.value.values()));
const state: Signal<SoundState> = signal("off");
/** Whether a warning would be heard now. */
export const soundState: ReadonlySignal<SoundState> = state;
/** How many warnings call now, whether they are heard or not. */
export const callsNow: ReadonlySignal<number> = computed(() => sounding.value.size);
/** When the mute ends, ms since 1970 on the service's clock; null while there is none. */
export const mutedUntil: ReadonlySignal<number | null> = computed(() => mute.value?.until ?? null);

let context: AudioContext | null = null;
let pattern: AudioBuffer | null = null;
let deaf: AudioBuffer | null = null;
let playing: { source: AudioBufferSourceNode; loudness: GainNode } | null = null;
let reached = 0;

function open(): AudioContext {
  const made = new AudioContext();
  const hold = (samples: Float32Array<ArrayBuffer>): AudioBuffer => {
    const buffer = made.createBuffer(1, samples.length, made.sampleRate);
    buffer.copyToChannel(samples, 0);
    return buffer;
  };
  pattern = hold(makePattern(made.sampleRate));
  deaf = hold(makeDeaf(made.sampleRate));
  made.addEventListener("statechange", look);
  return made;
}

function look(): void {
  running.value = context?.state === "running";
}

/** Whether the audio engine really moves: a device that was pulled out may leave it "running" and still. */
function check(): void {
  if (context === null || context.state !== "running") return look();
  running.value = context.currentTime > reached;
  reached = context.currentTime;
}

/** Let the page sound. Works only in answer to a touch or a key. */
export async function turnOn(): Promise<void> {
  mute.value = null;
  try {
    context ??= open();
    if (context.state !== "running") await context.resume();
  } catch {
    // No way to sound on this device: the page keeps saying that it is off.
  }
  look();
}

/** Silence what sounds now for a minute; a new warning, or one that went to the next role, sounds all the same. */
export function muteForAMinute(): void {
  mute.value = { until: now.peek() + MUTE_MS, covers: new Set(sounding.peek()) };
}

function begin(buffer: AudioBuffer | null, loop: boolean): typeof playing {
  if (context === null || buffer === null) return null;
  const loudness = new GainNode(context, { gain: LEVEL });
  const source = new AudioBufferSourceNode(context, { buffer, loop });
  source.connect(loudness).connect(context.destination);
  source.start();
  return { source, loudness };
}

/** Sound the pattern from its beginning, or end it. */
function play(audible: boolean): void {
  if (audible) {
    playing ??= begin(pattern, true);
  } else if (playing !== null && context !== null) {
    playing.loudness.gain.setTargetAtTime(0, context.currentTime, FADE_S);
    playing.source.stop(context.currentTime + FADE_S * 8);
    playing = null;
  }
}

/** Sound the pattern once, so that somebody can hear that it works. */
export function soundOnce(): void {
  if (playing === null) begin(pattern, false);
}

function followAlerts(): void {
  let heard: HeardAlerts = new Map();
  let gathered: Piece[] = [];
  let last = Number.NEGATIVE_INFINITY;
  let timer: ReturnType<typeof setTimeout> | undefined;
  const tell = (): void => {
    timer = undefined;
    last = performance.now();
    // What somebody took meanwhile needs no words any more.
    const still = gathered.filter(({ alert }) => heard.has(alert.alert_id));
    gathered = [];
    say(sayNews(still.filter(({ alert }) => alert.priority === "warning")), "at once");
    say(sayNews(still.filter(({ alert }) => alert.priority !== "warning")), "later");
  };
  effect(() => {
    const news = findNews(heard, model.alerts.value.values());
    heard = news.heard;
    gathered.push(...news.pieces);
    if (gathered.length > 0 && timer === undefined) {
      timer = setTimeout(tell, Math.max(0, last + GATHER_MS - performance.now()));
    }
  });
}

/** Sound and say warnings for as long as the page lives. */
export function startSounding(): void {
  effect(() => {
    const held = holdMute(mute.value, sounding.value, now.value);
    if (held === null && mute.value !== null) mute.value = null;
    // What is not live hears of no warning, so that none would sound.
    state.value = !running.value || notLive.value !== null ? "off" : held !== null ? "muted" : "on";
  });
  effect(() => {
    if (notLive.value?.everLive && running.peek()) begin(deaf, false);
  });
  effect(() => play(state.value === "on" && sounding.value.size > 0));
  // The first touch anywhere is permission enough: nobody should have to look for a switch.
  const first = (event: Event): void => {
    // Not every key lets a page sound; one that does not would only make the browser complain.
    if (navigator.userActivation?.isActive === false) return;
    // The switch itself takes its own touch: it must not find the sound on already, and mute it.
    if (!running.peek() && (event.target as Element).closest?.(".sound") === null) void turnOn();
  };
  for (const name of ["pointerup", "keydown"]) document.addEventListener(name, first, { capture: true });
  setInterval(check, CHECK_MS);
  followAlerts();
  // A wall's browser is often set up to let pages sound, and nobody touches it.
  const shown = route.peek();
  if (shown.page === "apron" && shown.wall) void turnOn();
}
