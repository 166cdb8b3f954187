// The picture as the server sends it, part by part, and whether it is still being sent.

import { computed, signal, type ReadonlySignal, type Signal } from "@preact/signals";
import type { AircraftPart, BenchPart, DoorPart, MonitorPart, Picture } from "./wire.ts";

export const NOTHING: Picture = { bench: null, aircraft: null, monitor: null, doors: {}, order: [] };

/** Put the parts that changed into a picture; a part that is null is gone. Doors keep the order in which they first came. */
export function apply(picture: Picture, parts: Readonly<Record<string, unknown>>): Picture {
  const next: Picture = { ...picture, doors: { ...picture.doors }, order: picture.order };
  for (const [name, part] of Object.entries(parts)) {
    if (name === "bench") next.bench = part as BenchPart | null;
    else if (name === "aircraft") next.aircraft = part as AircraftPart | null;
    else if (name === "monitor") next.monitor = part as MonitorPart | null;
    else if (name.startsWith("door/")) {
      const door = name.slice("door/".length);
      if (part === null) delete next.doors[door];
      else next.doors[door] = part as DoorPart;
      if (!next.order.includes(door)) next.order = [...next.order, door];
    }
  }
  return next;
}

export const picture: Signal<Picture> = signal(NOTHING);
/** False until the first picture, and again while the server does not answer. */
export const heard: Signal<boolean> = signal(false);
export const bench: ReadonlySignal<BenchPart | null> = computed(() => picture.value.bench);
export const aircraft: ReadonlySignal<AircraftPart | null> = computed(() => picture.value.aircraft);
export const monitor: ReadonlySignal<MonitorPart | null> = computed(() => picture.value.monitor);
const wanted: Signal<string | null> = signal(null);
/** The door in front. */
export const front: ReadonlySignal<DoorPart | null> = computed(() => {
  const { doors, order } = picture.value;
  const usual = order.find((name) => doors[name]?.kind === "cabin") ?? order[0] ?? "";
  return doors[wanted.value ?? usual] ?? doors[usual] ?? null;
});
export const bringForward = (door: string): void => void (wanted.value = door);

/**
 * Follow the server for as long as the page is looked at; the browser itself tries again.
 *
 * A browser gives one place few connections, and each stream holds one: pages in the background leave them to the one in front.
 */
export function follow(): void {
  let source = open();
  document.addEventListener("visibilitychange", () => {
    source.close();
    if (document.hidden) heard.value = false;
    else source = open();
  });

  function open(): EventSource {
    const opened = new EventSource("/api/stream");
    opened.addEventListener("picture", (event) => {
      picture.value = apply(NOTHING, JSON.parse(event.data as string) as Record<string, unknown>);
      heard.value = true;
    });
    opened.addEventListener("change", (event) => {
      picture.value = apply(picture.peek(), JSON.parse(event.data as string) as Record<string, unknown>);
    });
    opened.addEventListener("error", () => {
      heard.value = false;
      if (opened.readyState !== EventSource.CLOSED) return;
      setTimeout(() => {
        if (source === opened && !document.hidden) source = open();
      }, 2_000);
    });
    return opened;
  }
}
