// Which unacknowledged warnings are really on this screen now, told to the service.
//
// A warning counts as drawn while at least half of one of its places is inside the window of
// a visible, live page, not below the strip, and its middle not below anything that was opened
// over it: not because it was received, and not because it stands further down.

import { effect, signal, type ReadonlySignal, type Signal } from "@preact/signals";
import { boardId, listedAs } from "./identity.ts";
import { model } from "./live/model.ts";
import { notLive, snapshots } from "./live/stream.ts";
import { boardName } from "./prefs.ts";
import { route } from "./route.ts";
import { askSession } from "./session.ts";
import { soundState } from "./sound.ts";
import { Teller } from "./telling.ts";

const TIMEOUT_MS = 2_500;
const NAME_MAX = 60;
const THRESHOLDS = [0, 0.25, 0.5, 0.75, 1];
/** What a touch or a key opened or closed is drawn by then. */
const OPENED_MS = 100;
const LOOK_MS = 1_000;

const drawnNow: Signal<ReadonlySet<string>> = signal(new Set());
/** The alert ids whose row (not the strip's line) is on this screen now. */
export const drawnInRows: ReadonlySignal<ReadonlySet<string>> = drawnNow;

/** What a board is told when it says what it draws; the rest of it is not needed here. */
interface BoardAnswer {
  board: string;
}

interface Place {
  alertId: string;
  strip: boolean;
  inside: boolean;
  /** Inside, and nothing lies over it. */
  seen: boolean;
}

const places = new Map<Element, Place>();

/** At least half of it is seen, or it fills half of the window: a large element on a small screen never shows half. */
function isInside(entry: IntersectionObserverEntry): boolean {
  if (!entry.isIntersecting) return false;
  const seen = entry.intersectionRect.height;
  return entry.intersectionRatio >= 0.5 || (entry.rootBounds !== null && seen >= entry.rootBounds.height / 2);
}

/** Whether what is seen of the element is on top, judged by its middle; a link may be laid over its whole item. */
function isOnTop(element: Element): boolean {
  const box = element.getBoundingClientRect();
  const top = Math.max(box.top, covered);
  const hit = document.elementFromPoint((box.left + box.right) / 2, (top + Math.min(box.bottom, innerHeight)) / 2);
  return hit !== null && (hit.contains(element) || (element.closest("li") ?? element).contains(hit));
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
  places.set(element, { alertId, strip, inside: false, seen: false });
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
  for (const [element, place] of places) {
    place.seen = place.inside && (place.strip || isOnTop(element));
    if (place.seen && !place.strip) rows.add(place.alertId);
  }
  const before = drawnNow.peek();
  if (rows.size !== before.size || [...rows].some((each) => !before.has(each))) drawnNow.value = rows;
  teller.tellSoon();
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
  for (const { alertId, seen } of places.values()) if (seen && waiting.has(alertId)) drawn.add(alertId);
  return [...drawn].sort();
}

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

/** Tell the service; whether it heard. Where it did not there is nothing to show: it asks somebody else. */
async function deliver(word: string): Promise<boolean> {
  try {
    const answer = await fetch(`/api/v1/boards/${boardId}`, {
      method: "PUT",
      headers: { "Content-Type": "application/json" },
      body: word,
      // Outlives the page, so that a closed one is not waited for.
      keepalive: true,
      signal: AbortSignal.timeout(TIMEOUT_MS),
    });
    if (answer.status === 401) void askSession();
    if (!answer.ok) return false;
    listedAs.value = ((await answer.json()) as BoardAnswer).board;
    return true;
  } catch {
    return false;
  }
}

const teller = new Teller(describe, deliver);

/** Tell the service what is drawn, at once when it changes and every few seconds, for as long as the page lives. */
export function startReceipts(): void {
  document.addEventListener("visibilitychange", () => void teller.tell());
  for (const name of ["click", "keyup"]) document.addEventListener(name, () => setTimeout(refresh, OPENED_MS), { passive: true });
  setInterval(refresh, LOOK_MS);
  effect(() => {
    // Each of these changes what counts as drawn.
    void [model.alerts.value, notLive.value, route.value, soundState.value, boardName.value];
    teller.tellSoon();
  });
  effect(() => {
    // Whoever sends a whole picture may have started anew, and knows of no board.
    void snapshots.value;
    teller.tellAnew();
  });
  void teller.tell();
}
