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
  private readonly address: (after: string | null) => string;

  /** Null until the first page came. */
  readonly items: ReadonlySignal<readonly Item[] | null> = this.came;
  readonly loading: ReadonlySignal<boolean> = this.going;
  readonly failure: ReadonlySignal<string | null> = this.wrong;

  constructor(address: (after: string | null) => string) {
    this.address = address;
  }

  get hasMore(): boolean {
    return this.next !== null;
  }

  /** Ask anew from the newest on; answers to earlier questions are dropped. */
  async restart(): Promise<void> {
    this.next = null;
    this.came.value = null;
    await this.ask(null, []);
  }

  /** Ask for the page after the last one. */
  async more(): Promise<void> {
    if (this.next !== null && !this.going.peek()) await this.ask(this.next, this.came.peek() ?? []);
  }

  private async ask(after: string | null, before: readonly Item[]): Promise<void> {
    this.asked += 1;
    const mine = this.asked;
    this.going.value = true;
    const answer = await get<Page<Item>>(this.address(after));
    if (mine !== this.asked) return;
    batch(() => {
      this.going.value = false;
      this.wrong.value = answer.ok ? null : answer.detail;
      if (!answer.ok) return;
      this.next = answer.document.next;
      this.came.value = [...before, ...answer.document.items];
    });
  }
}
