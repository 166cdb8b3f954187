// A paged list of the service as it is read: what came so far, what is next, what went wrong.

import { batch, signal, type ReadonlySignal, type Signal } from "@preact/signals";
import { get } from "../api.ts";
import type { Page } from "./record.ts";

export class PagedList<Item> {
  private readonly came: Signal<readonly Item[] | null> = signal(null);
  private readonly going: Signal<boolean> = signal(false);
  private readonly wrong: Signal<string | null> = signal(null);
  private next: string | null = null;
  private asked = 0;
  private last = async (): Promise<void> => {};
  private readonly address: (after: string | null) => string;
  private readonly keyOf: (item: Item) => string;

  /** Null until the first page came. */
  readonly items: ReadonlySignal<readonly Item[] | null> = this.came;
  readonly loading: ReadonlySignal<boolean> = this.going;
  readonly failure: ReadonlySignal<string | null> = this.wrong;

  /** `keyOf` tells items apart: no two have the same. */
  constructor(address: (after: string | null) => string, keyOf: (item: Item) => string) {
    this.address = address;
    this.keyOf = keyOf;
  }

  get hasMore(): boolean {
    return this.next !== null;
  }

  /** Ask anew from the newest on; answers to earlier questions are dropped. */
  async restart(): Promise<void> {
    this.next = null;
    this.came.value = null;
    await this.ask(null, this.append);
  }

  /** Ask for what is newer than what is shown, which stays where the answer reaches down to it. */
  async renew(): Promise<void> {
    const shown = this.came.peek();
    if (shown === null) return this.restart();
    const known = new Set(shown.map(this.keyOf));
    await this.ask(null, (page) => {
      const newer = page.items.filter((item) => !known.has(this.keyOf(item)));
      // What lies between them, if anything does, would otherwise never be asked for.
      const joined = newer.length < page.items.length;
      if (!joined) this.next = page.next;
      this.came.value = joined ? [...newer, ...shown] : page.items;
    });
  }

  /** Ask once more what was not answered. */
  async again(): Promise<void> {
    await this.last();
  }

  /** Ask for the page after the last one. */
  async more(): Promise<void> {
    if (this.next !== null && !this.going.peek()) await this.ask(this.next, this.append);
  }

  private readonly append = (page: Page<Item>): void => {
    this.next = page.next;
    this.came.value = [...(this.came.peek() ?? []), ...page.items];
  };

  private async ask(after: string | null, take: (page: Page<Item>) => void): Promise<void> {
    this.last = () => this.ask(after, take);
    this.asked += 1;
    const mine = this.asked;
    this.going.value = true;
    const answer = await get<Page<Item>>(this.address(after));
    if (mine !== this.asked) return;
    batch(() => {
      this.going.value = false;
      this.wrong.value = answer.ok ? null : answer.detail;
      if (answer.ok) take(answer.document);
    });
  }
}
