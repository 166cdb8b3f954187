// Draws the sill line as it was laid out, and makes each door reachable: one stop of the tab key for the line, arrow
// keys within it.

import { useMemo, useRef } from "preact/hooks";
import { t, tCount, type Key } from "../words.ts";
import { describeSillLine } from "./describe.ts";
import { MarkAt } from "./Mark.tsx";
import { drawSillLine } from "./scene.ts";
import type { DoorPlace, Say, Shape, SillInput } from "./types.ts";

/** Says words for the drawing. */
export const say: Say = (key, places = {}) =>
  typeof places["n"] === "number" ? tCount(key, places["n"], places) : t(key as Key, places);

function Drawn({ shape }: { shape: Shape }) {
  switch (shape.shape) {
    case "line":
      return <line class={shape.class} x1={shape.x1} y1={shape.y1} x2={shape.x2} y2={shape.y2} />;
    case "rect":
      return <rect class={shape.class} x={shape.x} y={shape.y} width={shape.w} height={shape.h} rx={shape.round} />;
    case "path":
      return <path class={shape.class} d={shape.d} />;
    case "mark":
      return <MarkAt priority={shape.priority} x={shape.x} y={shape.y} size={shape.size} kind={shape.class} />;
    case "text":
      return (
        <text
          class={shape.class}
          x={shape.x}
          y={shape.y}
          font-size={shape.size}
          text-anchor={shape.anchor}
          font-weight={shape.bold ? 700 : 400}
        >
          {shape.text}
        </text>
      );
  }
}

const STEPS: Readonly<Record<string, number>> = { ArrowLeft: -1, ArrowUp: -1, ArrowRight: 1, ArrowDown: 1 };

function Links({ aircraft, places }: { aircraft: string; places: readonly DoorPlace[] }) {
  const list = useRef<HTMLUListElement>(null);
  const move = (event: KeyboardEvent): void => {
    const links = [...(list.current?.querySelectorAll("a") ?? [])];
    const at = links.indexOf(event.target as HTMLAnchorElement);
    const to = event.key === "Home" ? 0 : event.key === "End" ? links.length - 1 : at + (STEPS[event.key] ?? Number.NaN);
    const next = links[to];
    if (at < 0 || next === undefined) return;
    event.preventDefault();
    for (const link of links) link.tabIndex = link === next ? 0 : -1;
    next.focus();
  };
  return (
    <ul class="sill-doors" ref={list} onKeyDown={move} aria-label={t("sill.links", { aircraft })}>
      {places.map((place, at) => (
        <li key={place.door} style={{ left: `${place.x}px`, top: `${place.y}px`, width: `${place.w}px`, height: `${place.h}px` }}>
          <a href={`/aircraft/${aircraft}?door=${encodeURIComponent(place.door)}`} tabIndex={at === 0 ? 0 : -1} aria-label={place.name}>
            {""}
          </a>
        </li>
      ))}
    </ul>
  );
}

/** The sill line, drawn anew only for another input. `aircraft` makes its doors links; without it, it is a picture alone. */
export function SillLine({ input, aircraft }: { input: SillInput; aircraft?: string }) {
  return useMemo(() => draw(input, aircraft), [input, aircraft]);
}

function draw(input: SillInput, aircraft: string | undefined) {
  const scene = drawSillLine(input);
  return (
    <div class="sill-line">
      <svg
        role="img"
        aria-label={describeSillLine(input)}
        width={scene.width}
        height={scene.height}
        viewBox={`0 0 ${scene.width} ${scene.height}`}
      >
        {scene.shapes.map((shape, at) => (
          <Drawn key={at} shape={shape} />
        ))}
      </svg>
      {aircraft !== undefined && <Links aircraft={aircraft} places={scene.places} />}
    </div>
  );
}
