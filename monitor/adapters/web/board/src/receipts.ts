// Which unacknowledged warnings are really on this screen now, told to the service.
//
// A warning counts as drawn while at least half of one of its places is inside the window of
// a visible, live page, and not below the strip: not because it was received, and not because
// it stands further down.

import { effect, signal, type ReadonlySignal, type Signal } from "@preact/signals";
import { model } from "./live/model.ts";
import { notLive } from "./live/stream.ts";
import { boardName } from "./prefs.ts";
import { route } from "./route.ts";
import { soundState } from "./sound.ts";

const BEAT_MS = 3_000;
const DELAY_MS = 60;
const TIMEOUT_MS = 2_500;
const NAME_MAX = 60;
const THRESHOLDS = [0, 0.25, 0.5, 0.75, 1];

const drawnNow: Signal<ReadonlySet<string>> = signal(new Set());
/** The alert ids whose row (not the strip's line) is on this screen now. */
export const drawnInRows: ReadonlySignal<ReadonlySet<string>> = drawnNow;

const failures: Signal<number> = signal(0);
/** How many receipts in a row did not arrive. */
export const receiptsFailed: ReadonlySignal<number> = failures;

interface Place {
  alertId: string;
  strip: boolean;
  inside: boolean;
}

const places = new Map<Element, Place>();

/** At least half of it is seen, or it fills half of the window: a large element on a small screen never shows half. */
function isInside(entry: IntersectionObserverEntry): boolean {
  if (!entry.isIntersecting) return false;
  const seen = entry.intersectionRect.height;
  return entry.intersectionRatio >= 0.5 || (entry.rootBounds !== null && seen >= entry.rootBounds.height / 2);
}

function take(entries: IntersectionObserverEntry[]): void {
  for (const entry of entries) {
    const place = places.get(entry.target);
    if (place !== undefined) place.inside = isInside(entry);
  }
  refresh();
}

function makeWatch(covered: number): IntersectionObserver | null {
  if (typeof IntersectionObserver === "undefined") return null;
  return new IntersectionObserver(take, { threshold: THRESHOLDS, rootMargin: `${-Math.ceil(covered)}px 0px 0px 0px` });
}

const watchStrip = makeWatch(0);
let covered = 0;
let watchRows = makeWatch(covered);

/** Say how much of the window's top the strip covers, px: what lies below it is not seen. */
export function coverTop(px: number): void {
  if (px === covered) return;
  covered = px;
  watchRows?.disconnect();
  watchRows = makeWatch(covered);
  for (const [element, place] of places) if (!place.strip) watchRows?.observe(element);
}

/** Follow the element that shows a warning; returns what ends it. `strip` is the line that only stands in for a row. */
export function followDrawn(element: Element, alertId: string, strip = false): () => void {
  places.set(element, { alertId, strip, inside: false });
  (strip ? watchStrip : watchRows)?.observe(element);
  return () => {
    places.delete(element);
    watchStrip?.unobserve(element);
    watchRows?.unobserve(element);
    refresh();
  };
}

function refresh(): void {
  const rows = new Set<string>();
  for (const { alertId, strip, inside } of places.values()) if (inside && !strip) rows.add(alertId);
  const before = drawnNow.peek();
  if (rows.size !== before.size || [...rows].some((each) => !before.has(each))) drawnNow.value = rows;
  tellSoon();
}

const isShown = (): boolean => document.visibilityState === "visible" && notLive.peek() === null;

/** Every unacknowledged warning that is on this screen now. */
function listDrawn(): string[] {
  if (!isShown()) return [];
  const waiting = new Set<string>();
  for (const alert of model.alerts.peek().values()) {
    if (alert.priority === "warning" && alert.state === "unacknowledged") waiting.add(alert.alert_id);
  }
  const drawn = new Set<string>();
  for (const { alertId, inside } of places.values()) if (inside && waiting.has(alertId)) drawn.add(alertId);
  return [...drawn].sort();
}

function makeId(): string {
  // Without TLS a page that is not local has no randomUUID.
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

/** The name under which this page tells what it draws. */
export const boardId: string = makeId();

let beat: ReturnType<typeof setTimeout> | undefined;
let soon: ReturnType<typeof setTimeout> | undefined;
let flying = false;
let again = false;
let told = "";

function describe(): string {
  const shown = route.peek();
  return JSON.stringify({
    name: boardName.peek().trim().slice(0, NAME_MAX),
    page: shown.page === "apron" && shown.wall ? "wall" : shown.page,
    visible: isShown(),
    sound: soundState.peek() === "on",
    drawn: listDrawn(),
  });
}

/** Tell of a change in a moment; one that is on its way is not put off by more of them. */
function tellSoon(): void {
  soon ??= setTimeout(() => {
    soon = undefined;
    if (describe() !== told) void send();
  }, DELAY_MS);
}

/** Tell the service now. One request at a time: what changes meanwhile goes with the next, which starts as this one ends. */
async function send(): Promise<void> {
  if (flying) {
    again = true;
    return;
  }
  flying = true;
  clearTimeout(beat);
  told = describe();
  try {
    const answer = await fetch(`/api/v1/boards/${boardId}`, {
      method: "PUT",
      headers: { "Content-Type": "application/json" },
      body: told,
      // Outlives the page, so that a closed one is not waited for.
      keepalive: true,
      signal: AbortSignal.timeout(TIMEOUT_MS),
    });
    if (!answer.ok) throw new Error(answer.statusText);
    failures.value = 0;
  } catch {
    // Nothing to show here: a service that hears nothing of this page asks somebody else.
    failures.value += 1;
  }
  flying = false;
  if (again && describe() !== told) {
    again = false;
    return send();
  }
  again = false;
  beat = setTimeout(send, BEAT_MS);
}

/** Tell the service what is drawn, at once when it changes and every few seconds, for as long as the page lives. */
export function startReceipts(): void {
  document.addEventListener("visibilitychange", () => void send());
  effect(() => {
    // Each of these changes what counts as drawn.
    void [model.alerts.value, notLive.value, route.value, soundState.value, boardName.value];
    tellSoon();
  });
  void send();
}
