// Keeps the row under somebody's hand where it is on the screen, whatever grows or shrinks above it.

const LEAST_PX = 1;

/** Follow a list's height; while it is held, what pushes the row that was touched last is scrolled away again. */
export class Steady {
  private row: Element | null = null;
  private top = 0;
  private readonly watch = new ResizeObserver(() => this.settle());

  private readonly list: Element;
  private readonly isHeld: () => boolean;

  constructor(list: Element, isHeld: () => boolean) {
    this.list = list;
    this.isHeld = isHeld;
    this.watch.observe(list);
    addEventListener("scroll", this.look, { passive: true });
  }

  /** Somebody works at this element. */
  touch(target: EventTarget | null): void {
    const row = target instanceof Element ? target.closest(".row") : null;
    if (row !== null) this.row = row;
    this.look();
  }

  end(): void {
    this.watch.disconnect();
    removeEventListener("scroll", this.look);
  }

  private readonly look = (): void => {
    const box = this.row?.getBoundingClientRect();
    if (box === undefined) return;
    this.top = box.top;
    if (box.bottom > 0 && box.top < innerHeight) return;
    // It was scrolled out of sight: whoever scrolled now reads what stands in the middle.
    const seen = document.elementFromPoint(innerWidth / 2, innerHeight / 2)?.closest(".row") ?? null;
    this.row = seen !== null && this.list.contains(seen) ? seen : null;
    this.top = this.row?.getBoundingClientRect().top ?? 0;
  };

  private settle(): void {
    if (this.row?.isConnected !== true) return;
    const pushed = this.row.getBoundingClientRect().top - this.top;
    if (this.isHeld() && Math.abs(pushed) >= LEAST_PX) scrollBy({ top: pushed, behavior: "instant" });
    this.top = this.row.getBoundingClientRect().top;
  }
}
