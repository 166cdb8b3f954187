// The connection to the service: frames into the model, and the honest word when it is not live.
//
// The stream beats every two seconds. Six seconds without any frame, on a clock that stands
// still while the machine sleeps or on one that does not, and the page is not live. After a
// minute hidden, or a sleep, the stream is opened anew and resumes where it was. A frame counts
// as a word only once it is drawn: what cannot be drawn must not look live.

import { effect, signal, type Signal } from "@preact/signals";
import { boardId } from "../identity.ts";
import { askSession, session, signedOut } from "../session.ts";
import { FRAME_NAMES, type Frame } from "../wire.ts";
import { loadAnew } from "./anew.ts";
import type { Model } from "./model.ts";

export const SILENCE_MS = 6_000;
const CHECK_MS = 500;
const RETRY_MS = 2_000;
const HIDDEN_MS = 60_000;
const HIDDEN_DRAW_MS = 100;
const STREAM = "/api/v1/stream";

export interface NotLive {
  /** When the last frame came, on the service's clock where it is known, ms since 1970. */
  since: number;
  /** Whether this page was ever live. */
  everLive: boolean;
  /** It was told something that it cannot show: nothing on it counts until it is loaded anew. */
  broken?: true;
}

/** Null while the page is live. */
export const notLive: Signal<NotLive | null> = signal(null);
/** The service's clock as we know it, ms since 1970; ticks every half second. */
export const now: Signal<number> = signal(Date.now());
/** How many whole pictures came, each drawn. */
export const snapshots: Signal<number> = signal(0);

/** The stream's address: it says whose it is, for what a board says to draw counts only beside its stream. */
export function addressOf(board: string, lastEventId: string): string {
  // A new EventSource forgets what it saw last, so the address says it.
  return `${STREAM}?${new URLSearchParams({ board, ...(lastEventId && { after: lastEventId }) })}`;
}

interface Proof {
  wall: number;
  steady: number;
}

export class Live {
  private source: EventSource | null = null;
  private last: Proof = { wall: Date.now(), steady: performance.now() };
  private newest: Proof = this.last;
  private everLive = false;
  private reopenAt = 0;
  private drawing: number | null = null;
  private version: string | undefined;
  private whole = false;
  private hiddenSince: number | null = null;
  private lastEventId = "";

  private readonly model: Model;

  constructor(model: Model) {
    this.model = model;
  }

  /** Open the stream and keep it open for as long as the page lives. */
  start(): void {
    document.addEventListener("visibilitychange", () => this.onVisibility());
    window.addEventListener("pageshow", (event) => {
      if (event.persisted) this.open();
    });
    window.addEventListener("online", () => this.open());
    this.open();
    effect(() => {
      // Only what comes by a stream that was opened since says that somebody is signed in again.
      if (signedOut.value) this.open();
      this.tick();
    });
    setInterval(() => this.check(), CHECK_MS);
    // An effect or a handler that fails may have left anything undone. Without an error of its own it is
    // the browser's remark on a layout that went on changing.
    window.addEventListener("error", ({ error }) => {
      if (error) this.breakDown();
    });
  }

  /** Say over the page that nothing on it counts, and load it anew. */
  private breakDown(): void {
    loadAnew();
    if (notLive.peek()?.broken) return;
    notLive.value = { since: this.since(), everLive: this.everLive, broken: true };
  }

  private since(): number {
    return this.last.wall + this.model.clockOffset.peek();
  }

  private attempt(what: () => void): void {
    try {
      what();
    } catch (error) {
      console.error(error);
      this.breakDown();
    }
  }

  private open(): void {
    this.source?.close();
    const source = new EventSource(addressOf(boardId, this.lastEventId));
    this.source = source;
    this.reopenAt = performance.now() + SILENCE_MS;
    for (const name of FRAME_NAMES) {
      source.addEventListener(name, (event) => {
        if (source === this.source) this.attempt(() => this.take(name, event as MessageEvent<string>));
      });
    }
    source.addEventListener("error", () => {
      // A closed source does not come back by itself (a refusal, say): it is opened anew.
      if (source === this.source && source.readyState === EventSource.CLOSED) {
        this.reopenAt = performance.now() + RETRY_MS;
        void askSession();
      }
    });
  }

  private take(name: Frame["name"], event: MessageEvent<string>): void {
    const wall = Date.now();
    const steady = performance.now();
    this.reopenAt = steady + SILENCE_MS;
    signedOut.value = false;
    this.model.take({ name, data: JSON.parse(event.data) } as Frame, wall);
    if (event.lastEventId) this.lastEventId = event.lastEventId;
    this.newest = { wall, steady };
    this.everLive = true;
    // What the first picture brings onto the page asks what time it is there.
    if (name === "snapshot") {
      now.value = wall + this.model.clockOffset.peek();
      this.whole = true;
      // Whoever is signed in now may be another than before.
      if (session.peek()?.sign_in !== false) void askSession();
      // What this page is made of belongs to the service that it was loaded from.
      const { version } = this.model.health.peek() ?? {};
      this.version ??= version;
      if (version !== this.version) loadAnew();
    }
    this.schedule();
  }

  private schedule(): void {
    if (this.drawing !== null) return;
    const draw = (): void => {
      this.drawing = null;
      const shown = this.newest;
      this.attempt(() => {
        this.model.publish();
        this.last = shown;
        this.tick();
        if (this.whole) snapshots.value += 1;
        this.whole = false;
      });
    };
    // A hidden page gets no display frames, and must still know its warnings: they sound.
    if (document.visibilityState === "hidden") this.drawing = window.setTimeout(draw, HIDDEN_DRAW_MS);
    else this.drawing = requestAnimationFrame(draw);
  }

  private check(): void {
    const steady = performance.now();
    if (steady >= this.reopenAt) this.open();
    this.tick();
  }

  private tick(): void {
    const wall = Date.now();
    const silent = Math.max(wall - this.last.wall, performance.now() - this.last.steady);
    now.value = wall + this.model.clockOffset.peek();
    if (notLive.peek()?.broken) return;
    if (signedOut.peek()) notLive.value ??= { since: this.since(), everLive: this.everLive };
    else if (silent <= SILENCE_MS && this.everLive) {
      if (notLive.peek() !== null) notLive.value = null;
    } else if (notLive.peek() === null && (this.everLive || silent > SILENCE_MS)) {
      notLive.value = { since: this.since(), everLive: this.everLive };
    }
  }

  private onVisibility(): void {
    if (document.visibilityState === "hidden") {
      this.hiddenSince = Date.now();
      if (this.drawing !== null) {
        // The display frame that it waits for does not come any more.
        cancelAnimationFrame(this.drawing);
        this.drawing = null;
        this.schedule();
      }
      return;
    }
    const hidden = this.hiddenSince === null ? 0 : Date.now() - this.hiddenSince;
    this.hiddenSince = null;
    if (hidden > HIDDEN_MS) this.open();
    this.schedule();
  }
}
