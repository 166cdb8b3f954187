// Keeps the rows where they are while somebody works among them.

import { useComputed, useSignal, useSignalEffect } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import { model, type AircraftView } from "../live/model.ts";
import { undrawn } from "../parts/Boundary.tsx";
import { nextOrder, orderAircraft } from "./order.ts";
import { Steady } from "./steady.ts";

const REST_MS = 4_000;
/** A pointer or a focus that nobody has moved for so long is nobody's. */
const FORGOTTEN_MS = 60_000;
const CHECK_MS = 500;

export interface Order {
  order: readonly string[];
  /** Another order is wanted and waits until nobody works here. */
  waiting: boolean;
  apply: () => void;
}

/** The order of the rows inside `list`, applied only while nobody's pointer, touch or focus is in it. */
export function useOrder(list: { current: HTMLElement | null }): Order {
  const held = useSignal(false);
  const wanted = useComputed(() => {
    const views = model.registrations.value.map((each) => model.view(each).value);
    return orderAircraft(views.filter((view): view is AircraftView => view !== null), undrawn.value);
  });
  const shown = useSignal<readonly string[]>([]);
  const waiting = useSignal(false);
  useSignalEffect(() => {
    const next = nextOrder(shown.peek(), wanted.value, held.value);
    shown.value = next.order;
    waiting.value = next.waiting;
  });
  const last = useRef({ inside: false, at: Number.NEGATIVE_INFINITY });
  useEffect(() => {
    const place = list.current;
    if (place === null) return undefined;
    const state = last.current;
    const check = (): void => {
      const rested = performance.now() - state.at;
      const inside = state.inside || place.contains(document.activeElement);
      held.value = rested < (inside ? FORGOTTEN_MS : REST_MS);
    };
    const steady = new Steady(place, () => held.peek());
    const touch = (event: Event): void => {
      state.at = performance.now();
      check();
      steady.touch(event.target);
    };
    const enter = (event: PointerEvent): void => {
      // A finger is inside while it is down; it leaves no pointer behind.
      state.inside = event.pointerType !== "touch";
      touch(event);
    };
    const leave = (event: Event): void => {
      state.inside = false;
      touch(event);
    };
    const listen = { passive: true } as const;
    const seen = ["pointermove", "pointerdown", "pointerup", "wheel", "touchmove", "keydown", "focusin", "focusout"] as const;
    for (const name of seen) place.addEventListener(name, touch, listen);
    place.addEventListener("pointerenter", enter, listen);
    place.addEventListener("pointerleave", leave, listen);
    const timer = setInterval(check, CHECK_MS);
    return () => {
      clearInterval(timer);
      steady.end();
      for (const name of seen) place.removeEventListener(name, touch);
      place.removeEventListener("pointerenter", enter);
      place.removeEventListener("pointerleave", leave);
    };
  }, []);
  return {
    order: shown.value,
    waiting: waiting.value,
    apply: () => {
      last.current.at = Number.NEGATIVE_INFINITY;
      held.value = false;
    },
  };
}
