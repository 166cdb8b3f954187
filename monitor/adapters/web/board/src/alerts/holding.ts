// The list of the alerts page: in order, and standing still while somebody works on it.

import { effect, signal, type ReadonlySignal, type Signal } from "@preact/signals";
import { model } from "../live/model.ts";
import { sending, working } from "./acting.ts";
import { readFilter, type PageFilter } from "./filter.ts";
import { keepStill, layOut, type Group, type Layout } from "./order.ts";

/** The list goes on by itself this long after the last touch, or this long with a choice left open. */
const QUIET_MS = 4_000;
const LEFT_OPEN_MS = 60_000;
const CHECK_MS = 500;

export const filter: Signal<PageFilter> = signal(readFilter(new URLSearchParams()));

const shown: Signal<Layout> = signal(layOut([], filter.peek()));
export const layout: ReadonlySignal<Layout> = shown;

const stillIn: Signal<Group | null> = signal(null);
/** The group that was touched last while the list stands still; null while it moves. */
export const held: ReadonlySignal<Group | null> = stillIn;
let touchedAt = 0;

/** Somebody's finger, pointer or key is on that group: nothing moves for a while. */
export function hold(group: Group): void {
  touchedAt = performance.now();
  if (stillIn.peek() === null) stillIn.value = group;
}

/** Let the list move again. */
export function release(): void {
  stillIn.value = null;
}

/** Keep the list up to date; returns what ends it. */
export function followList(): () => void {
  const stop = effect(() => {
    const alerts = model.alerts.value;
    const wanted = filter.value;
    shown.value = stillIn.value === null ? layOut(alerts.values(), wanted) : keepStill(shown.peek(), alerts, wanted);
  });
  const timer = setInterval(() => {
    if (stillIn.peek() === null) return;
    const quiet = performance.now() - touchedAt;
    const busy = working.peek() !== null || sending.peek() !== null;
    if (quiet > (busy ? LEFT_OPEN_MS : QUIET_MS)) release();
  }, CHECK_MS);
  return () => {
    stop();
    clearInterval(timer);
    release();
  };
}
