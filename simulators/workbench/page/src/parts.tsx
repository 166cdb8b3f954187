// Small parts that every group of controls is made of.

import type { ComponentChildren } from "preact";
import { useEffect, useId, useRef } from "preact/hooks";
import { useSignal } from "@preact/signals";
import { order } from "./acting.ts";
import { t, tAny } from "./words.ts";

export function Group({ title, children, class: kind = "" }: { title: string; children: ComponentChildren; class?: string }) {
  const id = useId();
  return (
    <section class={`group ${kind}`} aria-labelledby={id}>
      <h3 id={id}>{title}</h3>
      <div class="group-body">{children}</div>
    </section>
  );
}

/** A thing that is so or is not, and the two orders that change it. */
export function Switch({ label, on, door, whenOn, whenOff }: { label: string; on: boolean; door?: string; whenOn: string; whenOff: string }) {
  return (
    <button type="button" role="switch" aria-checked={on} class="switch" onClick={() => order(on ? whenOff : whenOn, door)}>
      <span>{label}</span>
      <span class="switch-state">{on ? t("switch.on") : t("switch.off")}</span>
    </button>
  );
}

export function Do({ phrase, door, label }: { phrase: string; door?: string; label?: string }) {
  return (
    <button type="button" onClick={() => order(phrase, door)}>
      {label ?? tAny(`do.${phrase}`, phrase)}
    </button>
  );
}

interface SliderProps {
  label: string;
  value: number;
  min?: number;
  max: number;
  step: number;
  say: (value: number) => string;
  onMove: (value: number) => void;
  /** Something that is only sent once the thumb is let go. */
  late?: boolean;
}

/** A slider that follows what is true, but not while somebody has hold of it. */
export function Slider({ label, value, min = 0, max, step, say, onMove, late = false }: SliderProps) {
  const id = useId();
  const drawn = useSignal<number | null>(null);
  const timer = useRef<ReturnType<typeof setTimeout> | undefined>(undefined);
  useEffect(() => () => clearTimeout(timer.current), []);
  const shown = drawn.value ?? value;
  const settle = (): void => {
    clearTimeout(timer.current);
    // What was asked for stands until it can have come true.
    timer.current = setTimeout(() => (drawn.value = null), 1_500);
  };
  return (
    <div class="slider">
      <label for={id}>{label}</label>
      <output for={id}>{say(shown)}</output>
      <input
        id={id}
        type="range"
        min={min}
        max={max}
        step={step}
        value={shown}
        aria-valuetext={say(shown)}
        onInput={(event) => {
          drawn.value = event.currentTarget.valueAsNumber;
          if (!late) onMove(drawn.value);
          settle();
        }}
        onChange={(event) => {
          if (late) onMove(event.currentTarget.valueAsNumber);
          settle();
        }}
      />
    </div>
  );
}
