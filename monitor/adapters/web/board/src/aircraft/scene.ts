// The aircraft that the page shows: its whole document, asked for anew when the stream says that something of
// it changed, at most once a second, and the door that is chosen.

import { computed, useComputed, useSignal, useSignalEffect, type ReadonlySignal } from "@preact/signals";
import { get } from "../api.ts";
import { model } from "../live/model.ts";
import { notLive, now } from "../live/stream.ts";
import { readRoute, route } from "../route.ts";
import type { WholeAircraft } from "./documents.ts";
import { keepSame } from "./keep.ts";
import { knownDoor, pathOf } from "./paths.ts";

const APART_MS = 1_000;
const RETRY_MS = 3_000;

export interface Whole {
  document: WholeAircraft | null;
  /** Why the newest question was not answered; null where it was. */
  refusal: string | null;
  /** When the document was answered, ms. */
  at: number;
}

export interface Scene {
  registration: string;
  whole: ReadonlySignal<Whole>;
  refusal: ReadonlySignal<string | null>;
}

/** Ask for the whole document for as long as the component lives. */
export function useScene(registration: string): Scene {
  const whole = useSignal<Whole>({ document: null, refusal: null, at: 0 });
  useSignalEffect(() => {
    const view = model.view(registration);
    let over = false;
    let asking = false;
    let wanted = true;
    let earliest = 0;
    let timer: ReturnType<typeof setTimeout> | undefined;
    const ask = async (): Promise<void> => {
      asking = true;
      wanted = false;
      earliest = performance.now() + APART_MS;
      const answer = await get<WholeAircraft>(pathOf(registration));
      if (over) return;
      asking = false;
      const before = whole.peek();
      if (answer.ok) {
        const document = before.document === null ? answer.document : keepSame(before.document, answer.document);
        whole.value = { document, refusal: null, at: now.peek() };
      } else {
        whole.value = { ...before, refusal: answer.detail };
        wanted = true;
        earliest = performance.now() + RETRY_MS;
      }
      schedule();
    };
    const schedule = (): void => {
      clearTimeout(timer);
      if (asking || !wanted || document.visibilityState === "hidden" || notLive.peek() !== null) return;
      timer = setTimeout(() => void ask(), Math.max(0, earliest - performance.now()));
    };
    const want = (): void => {
      wanted = true;
      schedule();
    };
    const ends = [view.subscribe(want), notLive.subscribe(schedule)];
    document.addEventListener("visibilitychange", schedule);
    return () => {
      over = true;
      clearTimeout(timer);
      document.removeEventListener("visibilitychange", schedule);
      for (const end of ends) end();
    };
  });
  return { registration, whole, refusal: useComputed(() => whole.value.refusal) };
}

/** One part of the whole document: drawn again only when that part changed. */
export function usePart<T>(scene: Scene, part: (document: WholeAircraft) => T): T | null {
  return useComputed(() => {
    const { document } = scene.whole.value;
    return document === null ? null : part(document);
  }).value;
}

/** The aircraft's doors, in order; none while they are not known. */
export function useDoors(scene: Scene): readonly string[] {
  const names = usePart(scene, (whole) => Object.keys(whole.doors).join(" ")) ?? "";
  return names === "" ? [] : names.split(" ");
}

/** The door that the address names, as long as it is one of the aircraft's. */
export const chosenDoor: ReadonlySignal<string | null> = computed(() => {
  const shown = route.value;
  if (shown.page !== "aircraft") return null;
  return knownDoor(shown.door, model.view(shown.registration).value?.doors.keys() ?? []);
});

/** Choose a door, or none, without leaving the place on the page. */
export function chooseDoor(door: string | null): void {
  const address = new URL(location.href);
  if (door === null) address.searchParams.delete("door");
  else address.searchParams.set("door", door);
  history.replaceState(null, "", address);
  route.value = readRoute(address);
}
