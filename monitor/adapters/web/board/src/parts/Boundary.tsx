// Keeps what cannot be drawn from taking the rest of the page along: in its place it says so.
//
// Preact leaves a page half drawn where an error meets no boundary, and the half looks calm.

import { signal, type ReadonlySignal, type Signal } from "@preact/signals";
import { Component, type ComponentChildren } from "preact";
import { t } from "../words.ts";

const AGAIN_MS = 2_000;
const STANDS_MS = 1_000;

const missing: Signal<ReadonlySet<string>> = signal(new Set());
/** What cannot be drawn now, as each boundary's `what` names it. */
export const undrawn: ReadonlySignal<ReadonlySet<string>> = missing;

function mark(what: string, is: boolean): void {
  if (missing.peek().has(what) === is) return;
  const after = new Set(missing.peek());
  if (is) after.add(what);
  else after.delete(what);
  missing.value = after;
}

interface Props {
  /** The registration or the heading of what is inside. */
  what: string;
  /** It stands in a list. */
  item?: boolean;
  children: ComponentChildren;
}

export class Boundary extends Component<Props, { failed: boolean }> {
  override state = { failed: false };
  private timer: ReturnType<typeof setTimeout> | undefined;

  override componentDidCatch(error: unknown): void {
    console.error(error);
    mark(this.props.what, true);
    this.setState({ failed: true });
    this.next(AGAIN_MS, () => {
      this.setState({ failed: false });
      // Some fail only after they were drawn: nothing moves back and forth for them.
      this.next(STANDS_MS, () => mark(this.props.what, false));
    });
  }

  private next(ms: number, what: () => void): void {
    clearTimeout(this.timer);
    this.timer = setTimeout(what, ms);
  }

  override componentWillUnmount(): void {
    clearTimeout(this.timer);
    mark(this.props.what, false);
  }

  override render(): ComponentChildren {
    const { what, item, children } = this.props;
    if (!this.state.failed) return children;
    const Place = item ? "li" : "p";
    return (
      <Place class="undrawn">
        <b>{what}</b> {t("undrawn")}
      </Place>
    );
  }
}
