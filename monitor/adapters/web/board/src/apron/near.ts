// Whether an element is on the screen or nearly so, and how wide it is: what is far off is not drawn.

import { useComputed, useSignal, type ReadonlySignal } from "@preact/signals";
import { useLayoutEffect } from "preact/hooks";
import { printing } from "../printing.ts";

const MARGIN = "600px 0px";

const seen = new Map<Element, (near: boolean) => void>();
const watch = new IntersectionObserver(
  (entries) => {
    for (const entry of entries) seen.get(entry.target)?.(entry.isIntersecting);
  },
  { rootMargin: MARGIN },
);

const sized = new Map<Element, (width: number, height: number) => void>();
const measure = new ResizeObserver((entries) => {
  for (const entry of entries) {
    const box = entry.borderBoxSize[0];
    if (box !== undefined) sized.get(entry.target)?.(Math.floor(box.inlineSize), Math.ceil(box.blockSize));
  }
});

/** Follow whether an element is on the screen or nearly so; on paper everything is. */
export function useNear(place: { current: Element | null }): ReadonlySignal<boolean> {
  const near = useSignal(false);
  useLayoutEffect(() => {
    const element = place.current;
    if (element === null) return undefined;
    seen.set(element, (is) => {
      near.value = is;
    });
    watch.observe(element);
    return () => {
      seen.delete(element);
      watch.unobserve(element);
    };
  }, []);
  return useComputed(() => near.value || printing.value);
}

/** Follow an element's size, px; null until it was measured, before the first paint. */
export function useSize(place: { current: HTMLElement | null }): ReadonlySignal<{ width: number; height: number } | null> {
  const size = useSignal<{ width: number; height: number } | null>(null);
  useLayoutEffect(() => {
    const element = place.current;
    if (element === null) return undefined;
    // Not measured here: asking two hundred rows one by one would lay the page out two hundred times.
    sized.set(element, (width, height) => {
      const before = size.peek();
      if (before?.width !== width || before.height !== height) size.value = { width, height };
    });
    measure.observe(element);
    return () => {
      sized.delete(element);
      measure.unobserve(element);
    };
  }, []);
  return size;
}
