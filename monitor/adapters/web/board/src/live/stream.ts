// The connection to the service: frames into the model, and the honest word when it is not live.
//
// The stream beats every two seconds. Six seconds without any frame, on a clock that stands
// still while the machine sleeps or on one that does not, and the page is not live. After a
// minute hidden, or a sleep, the stream is opened anew and resumes where it was.

import { signal, type Signal } from "@preact/signals";
import { FRAME_NAMES, type Frame } from "../wire.ts";
import type { Model } from "./model.ts";

export const SILENCE_MS = 6_000;
const CHECK_MS = 500;
const RETRY_MS = 2_000;
const HIDDEN_MS = 60_000;
const STREAM = "/api/v1/stream";

export interface NotLive {
  /** When the last frame came, on the service's clock where it is known, ms since 1970. */
  since: number;
  /** Whether this page was ever live. */
  everLive: boolean;
}

/** Null while the page is live. */
export const notLive: Signal<NotLive | null> = signal(null);
/** The service's clock as we know it, ms since 1970; ticks every half second. */
export const now: Signal<number> = signal(Date.now());

interface Proof {
  wall: number;
  steady: number;
}

export class Live {
  private source: EventSource | null = null;
  private last: Proof = { wall: Date.now(), steady: performance.now() };
  private everLive = false;
  private reopenAt = 0;
  private drawing = false;
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
    setInterval(() => this.check(), CHECK_MS);
  }

  private open(): void {
    this.source?.close();
    // A new EventSource forgets what it saw last, so the address says it.
    const source = new EventSource(this.lastEventId ? `${STREAM}?after=${encodeURIComponent(this.lastEventId)}` : STREAM);
    this.source = source;
    this.reopenAt = performance.now() + SILENCE_MS;
    for (const name of FRAME_NAMES) {
      source.addEventListener(name, (event) => {
        if (source === this.source) this.take(name, event as MessageEvent<string>);
      });
    }
    source.addEventListener("error", () => {
      // A closed source does not come back by itself (a refusal, say): it is opened anew.
      if (source === this.source && source.readyState === EventSource.CLOSED) {
        this.reopenAt = performance.now() + RETRY_MS;
      }
    });
  }

  private take(name: Frame["name"], event: MessageEvent<string>): void {
    const wall = Date.now();
    this.last = { wall, steady: performance.now() };
    this.reopenAt = this.last.steady + SILENCE_MS;
    if (event.lastEventId) this.lastEventId = event.lastEventId;
    this.model.take({ name, data: JSON.parse(event.data) } as Frame, wall);
    // What the first picture brings onto the page asks what time it is there.
    if (name === "snapshot") now.value = wall + this.model.clockOffset.peek();
    this.everLive = true;
    this.schedule();
  }

  private schedule(): void {
    if (this.drawing) return;
    this.drawing = true;
    const draw = (): void => {
      this.drawing = false;
      this.model.publish();
      this.tick();
    };
    // A hidden page gets no display frames, and must still know its warnings: they sound.
    if (document.visibilityState === "hidden") setTimeout(draw, 100);
    else requestAnimationFrame(draw);
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
    if (silent <= SILENCE_MS && this.everLive) {
      if (notLive.peek() !== null) notLive.value = null;
    } else if (notLive.peek() === null && (this.everLive || silent > SILENCE_MS)) {
      notLive.value = { since: this.last.wall + this.model.clockOffset.peek(), everLive: this.everLive };
    }
  }

  private onVisibility(): void {
    if (document.visibilityState === "hidden") {
      this.hiddenSince = Date.now();
      return;
    }
    const hidden = this.hiddenSince === null ? 0 : Date.now() - this.hiddenSince;
    this.hiddenSince = null;
    if (hidden > HIDDEN_MS) this.open();
    this.schedule();
  }
}
