// One door's lane of the timeline, or the aircraft's own: its bands of state, its alerts, and the place pointed at.

import { type JSX } from "preact";
import { MarkAt } from "../sill/Mark.tsx";
import { textWidth } from "../sill/measure.ts";
import { markOf, overSince, type AlertSpan, type Band, type Window } from "./bands.ts";
import { bandWord } from "./lane_words.ts";
import { t } from "../words.ts";

const BAND_TOP = 15;
const LINE_TOP = 33;
const LINE_HEIGHT = 17;
const TEXT_SIZE = 12;
/** States whose word may stay in the background. */
const CALM: ReadonlySet<string> = new Set(["closed_locked", "armed"]);

export const laneHeight = (lines: number): number => LINE_TOP + lines * LINE_HEIGHT;

/** A band's texture: the heavier, the further from closed and locked; what is not known is hollow and torn. */
export function Texture({ kind, state, x, width }: { kind: Band["kind"]; state: string; x: string; width: string }) {
  const at = (y: number, height: number, name: string): JSX.Element => (
    <rect class={name} x={x} width={width} y={BAND_TOP + y} height={height} />
  );
  if (kind === "not-recorded") return at(6, 1, "lane-absent");
  if (kind === "not-running") return at(0, 13, "lane-stopped");
  switch (state) {
    case "closed_locked":
      return at(5, 3, "lane-thin");
    case "armed":
      return (
        <>
          {at(5, 3, "lane-solid")}
          {at(8, 5, "lane-hatch")}
        </>
      );
    case "unlocked":
      return (
        <>
          {at(2, 2, "lane-solid")}
          {at(7, 2, "lane-solid")}
        </>
      );
    case "armed_unlocked":
      return (
        <>
          {at(0, 2, "lane-solid")}
          {at(4, 2, "lane-solid")}
          {at(8, 5, "lane-hatch")}
        </>
      );
    case "ajar":
      return at(0.5, 12, "lane-ajar");
    case "open":
      return at(0, 13, "lane-solid");
    case "slide_deployed":
      return at(1, 11, "lane-crossed");
    default:
      return at(0.5, 12, "lane-torn");
  }
}

/** The patterns that textures are filled with; once a page. */
export function Patterns() {
  return (
    <svg class="lane-patterns" width="0" height="0" aria-hidden="true">
      <defs>
        <pattern id="lane-hatch" width="5" height="5" patternUnits="userSpaceOnUse">
          <path class="lane-stroke" d="M0 5L5 0M-1 1L1-1M4 6L6 4" />
        </pattern>
        <pattern id="lane-ajar" width="4" height="4" patternUnits="userSpaceOnUse">
          <path class="lane-stroke lane-stroke-heavy" d="M0 0L4 4M-1 3L1 5M3-1L5 1" />
        </pattern>
        <pattern id="lane-crossed" width="6" height="6" patternUnits="userSpaceOnUse">
          <path class="lane-stroke" d="M0 0L6 6M0 6L6 0" />
        </pattern>
        <pattern id="lane-torn" width="12" height="12" y="15.5" patternUnits="userSpaceOnUse">
          <path class="lane-stroke lane-stroke-quiet" d="M0 8L3 3 6 9 9 4 12 8" />
        </pattern>
        <pattern id="lane-stopped" width="10" height="13" y="15" patternUnits="userSpaceOnUse">
          <path class="lane-stroke lane-stroke-quiet" d="M2 4L5 9M5 4L2 9" />
        </pattern>
      </defs>
    </svg>
  );
}

export interface Scale {
  window: Window;
  /** The lane's width, px. */
  width: number;
}

const place = ({ window }: Scale, at: number): number => (100 * (at - window.since)) / (window.until - window.since);

function Bands({ bands, scale }: { bands: readonly Band[]; scale: Scale }) {
  return (
    <>
      {bands.map((band) => {
        const from = place(scale, band.from);
        const part = place(scale, band.to) - from;
        const word = bandWord(band);
        const fits = (part / 100) * scale.width > textWidth(word, TEXT_SIZE, false) + 6;
        return (
          <g key={`${band.from}${band.kind}`}>
            <Texture kind={band.kind} state={band.state} x={`${from}%`} width={`${part}%`} />
            {band.kind === "state" && band.from > scale.window.since && (
              <line class="lane-edge" x1={`${from}%`} x2={`${from}%`} y1={3} y2={29} />
            )}
            {fits && (
              <text
                class={CALM.has(band.state) || band.kind !== "state" ? "lane-word lane-word-calm" : "lane-word"}
                x={`${from}%`}
                dx={3}
                y={11}
                font-size={TEXT_SIZE}
              >
                {word}
              </text>
            )}
          </g>
        );
      })}
    </>
  );
}

function Alerts({ spans, scale }: { spans: readonly AlertSpan[]; scale: Scale }) {
  return (
    <>
      {spans.map(({ alert, line, from, to }) => {
        const y = LINE_TOP + line * LINE_HEIGHT + 7;
        const marks = alert.changes.filter((change) => {
          const at = Date.parse(change.at);
          return markOf(change.type) !== "other" && at >= scale.window.since && at <= scale.window.until;
        });
        const over = overSince(alert, from, to);
        return (
          <g key={alert.alert_id}>
            <line
              class={`lane-alert ${alert.priority}`}
              x1={`${place(scale, from)}%`}
              x2={`${place(scale, over)}%`}
              y1={y}
              y2={y}
            />
            {over < to && (
              <line
                class={`lane-alert lane-after ${alert.priority}`}
                x1={`${place(scale, over)}%`}
                x2={`${place(scale, to)}%`}
                y1={y}
                y2={y}
              />
            )}
            {marks.map((change, n) => {
              const kind = markOf(change.type);
              const name = kind === "raised" || kind === "reprioritised" ? "" : ` mark-${kind}`;
              return (
                <svg key={n} class="lane-mark" x={`${place(scale, Date.parse(change.at))}%`} y={y} overflow="visible">
                  <MarkAt
                    priority={change.priority}
                    x={0}
                    y={0}
                    size={name === "" ? 15 : 11}
                    kind={`mark ${change.priority}${name}`}
                  />
                  {kind === "cleared" && <line class={`lane-bar ${change.priority}`} x1={0} x2={0} y1={-7} y2={7} />}
                </svg>
              );
            })}
          </g>
        );
      })}
    </>
  );
}

export function LaneDrawing({
  bands,
  spans,
  scale,
  cursor,
  lines,
}: {
  bands: readonly Band[];
  spans: readonly AlertSpan[];
  scale: Scale;
  cursor: number | null;
  lines: number;
}) {
  return (
    <svg class="lane-drawing" width="100%" height={laneHeight(lines)} aria-hidden="true">
      <Bands bands={bands} scale={scale} />
      <Alerts spans={spans} scale={scale} />
      {cursor !== null && (
        <line
          class="lane-cursor"
          x1={`${place(scale, cursor)}%`}
          x2={`${place(scale, cursor)}%`}
          y1={0}
          y2={laneHeight(lines)}
        />
      )}
    </svg>
  );
}

interface AxisProps {
  ticks: readonly number[];
  scale: Scale;
  zone: string;
  say: (at: number, zone: string) => string;
}

function Axis({ ticks, scale, zone, say }: AxisProps) {
  const both = zone !== "UTC";
  return (
    <svg class="lane-axis" width="100%" height={both ? 34 : 20} aria-hidden="true">
      {ticks.map((at) => (
        <g key={at}>
          <text class="lane-tick" x={`${place(scale, at)}%`} y={12} font-size={TEXT_SIZE} text-anchor="middle">
            {say(at, zone)}
          </text>
          {both && (
            <text
              class="lane-tick lane-tick-utc"
              x={`${place(scale, at)}%`}
              y={26}
              font-size={TEXT_SIZE}
              text-anchor="middle"
            >
              {say(at, "UTC")}
            </text>
          )}
          <line
            class="lane-tickline"
            x1={`${place(scale, at)}%`}
            x2={`${place(scale, at)}%`}
            y1={both ? 29 : 15}
            y2={both ? 34 : 20}
          />
        </g>
      ))}
    </svg>
  );
}

/** The line of times above the lanes, with the zone that it is in; UTC stands below another one. */
export function AxisLane(props: AxisProps) {
  return (
    <div class="craft-lane craft-lane-axis">
      <span class="craft-lane-name craft-quiet">
        {props.zone === "UTC" ? "UTC" : t("aircraft.line.local")}
        {props.zone !== "UTC" && (
          <>
            <br />
            UTC
          </>
        )}
      </span>
      <Axis {...props} />
    </div>
  );
}
