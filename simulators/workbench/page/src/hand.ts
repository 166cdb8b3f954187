// A hand on a part, and where handles go: what is sent when, so that it arrives in its order. Knows no network.

const RENEW_MS = 400;

export type Part = "handle" | "outside" | "lever" | "leaf" | "hold-open" | "selector" | "pump" | "flap";

interface Place {
  door: string;
  part: Part;
  to: number;
}

/** Sends a command and waits for its answer; never fails. */
export type Send = (path: string, body: unknown) => Promise<unknown>;

/** Where handles and levers go; of a burst of places of one of them only the newest is sent. */
export class Mover {
  readonly #send: Send;
  readonly #waiting = new Map<string, Place>();
  #busy = false;

  constructor(send: Send) {
    this.#send = send;
  }

  move(door: string, part: Part, to: number): void {
    this.#waiting.set(`${door} ${part}`, { door, part, to });
    if (!this.#busy) void this.#sendAll();
  }

  async #sendAll(): Promise<void> {
    this.#busy = true;
    for (let next = this.#take(); next !== undefined; next = this.#take()) await this.#send("moves", next);
    this.#busy = false;
  }

  #take(): Place | undefined {
    for (const [key, place] of this.#waiting) {
      this.#waiting.delete(key);
      return place;
    }
    return undefined;
  }
}

/** One hand on one part: from `press` until `letGo`. What it sends arrives in its order: nothing renews a hold that was let go. */
export class Hand {
  readonly #send: Send;
  readonly #renewMs: number;
  #timer: ReturnType<typeof setInterval> | undefined;
  #held: { door: string; part: Part } | null = null;
  #sent: Promise<unknown> = Promise.resolve();
  #underWay = 0;

  constructor(send: Send, renewMs = RENEW_MS) {
    this.#send = send;
    this.#renewMs = renewMs;
  }

  press(door: string, part: Part, force: number): void {
    this.letGo();
    this.#held = { door, part };
    this.#hold({ door, part, force });
    // One that is slow to arrive is not followed by a queue.
    this.#timer = setInterval(() => {
      if (this.#underWay === 0) this.#hold({ door, part, force });
    }, this.#renewMs);
  }

  letGo(): void {
    clearInterval(this.#timer);
    if (this.#held !== null) this.#hold({ ...this.#held, force: 0 });
    this.#held = null;
  }

  #hold(body: { door: string; part: Part; force: number }): void {
    this.#underWay += 1;
    this.#sent = this.#sent.then(() => this.#send("holds", body)).then(() => (this.#underWay -= 1));
  }
}
