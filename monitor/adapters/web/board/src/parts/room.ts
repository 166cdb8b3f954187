// Room for what comes up at the top of a page: it is there at once, over the page if need be, and the page
// makes room only when nobody's hand is at work, so that nothing moves under it.

import { useSignal, type ReadonlySignal } from "@preact/signals";
import { useLayoutEffect } from "preact/hooks";
import { working } from "../alerts/acting.ts";

const QUIET_MS = 800;
const LOOK_MS = 200;

let touchedAt = Number.NEGATIVE_INFINITY;
let down = false;
for (const name of ["pointerdown", "pointerup", "pointercancel", "pointermove", "wheel", "keydown"]) {
  document.addEventListener(
    name,
    (event) => {
      touchedAt = performance.now();
      // A button that was let go outside the window is told by the next move alone.
      if (event instanceof PointerEvent) down = event.type === "pointerdown" || (event.type === "pointermove" && event.buttons > 0);
    },
    { capture: true, passive: true },
  );
}

const isQuiet = (): boolean => !down && working.peek() === null && performance.now() - touchedAt > QUIET_MS;

/** How much room the page makes for an element, px: its height, as of the last quiet moment. */
export function useRoom(place: { current: HTMLElement | null }): ReadonlySignal<number> {
  const room = useSignal(0);
  useLayoutEffect(() => {
    const element = place.current;
    if (element === null) return undefined;
    let timer: ReturnType<typeof setInterval> | undefined;
    const fit = (): void => {
      const wanted = element.offsetHeight;
      if (isQuiet()) room.value = wanted;
      if (room.peek() === wanted) {
        clearInterval(timer);
        timer = undefined;
      } else timer ??= setInterval(fit, LOOK_MS);
    };
    const watch = new ResizeObserver(fit);
    watch.observe(element);
    return () => {
      watch.disconnect();
      clearInterval(timer);
    };
  }, []);
  return room;
}
