// A button that acts while it is held: by finger or mouse, or by the space bar or the enter key.

import { useSignal } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import { send } from "./acting.ts";
import { Hand, type Part } from "./hand.ts";

interface Props {
  door: string;
  part: Part;
  force: number;
  label: string;
  /** What else a person should know before holding it. */
  describedBy?: string;
}

export function Hold({ door, part, force, label, describedBy }: Props) {
  const held = useSignal(false);
  const hand = useRef(new Hand(send));
  const stop = (): void => {
    hand.current.letGo();
    held.value = false;
  };
  const start = (): void => {
    hand.current.press(door, part, force);
    held.value = true;
  };
  // Gone from the page, or the page from view, is let go.
  useEffect(() => {
    const hide = (): void => {
      if (document.hidden) stop();
    };
    document.addEventListener("visibilitychange", hide);
    return () => {
      document.removeEventListener("visibilitychange", hide);
      stop();
    };
  }, [door, part]);
  const isKey = (event: KeyboardEvent): boolean => event.key === " " || event.key === "Enter";
  return (
    <button
      type="button"
      class="hold"
      aria-pressed={held.value}
      {...(describedBy === undefined ? {} : { "aria-describedby": describedBy })}
      onPointerDown={(event) => {
        if (event.button !== 0) return;
        event.currentTarget.setPointerCapture(event.pointerId);
        start();
      }}
      onPointerUp={stop}
      onPointerCancel={stop}
      onLostPointerCapture={stop}
      onContextMenu={(event) => event.preventDefault()}
      onKeyDown={(event) => {
        if (!isKey(event)) return;
        event.preventDefault();
        if (!event.repeat) start();
      }}
      onKeyUp={(event) => {
        if (isKey(event)) stop();
      }}
      onBlur={stop}
    >
      {label}
    </button>
  );
}
