// What became of every door, a lane each: states, alerts, and the times when nobody watched.

import { useComputed, useSignal, type Signal } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import { model } from "../live/model.ts";
import { notLive, now } from "../live/stream.ts";
import { clockMinute, clockTime } from "../times.ts";
import { t } from "../words.ts";
import { listTicks, shift, SPANS, zoom, type Look } from "./axis.ts";
import { lineCount, type Band } from "./bands.ts";
import { AxisLane, LaneDrawing, Patterns, Texture, type Scale } from "./Lane.tsx";
import { bandWord, laneWord, sayMoment } from "./lane_words.ts";
import { makeLanes, WHOLE, windowOf, type LaneData } from "./lanes.ts";
import { Fold, Section } from "./parts.tsx";
import { useRecord } from "./record.ts";
import { chooseDoor, chosenDoor } from "./scene.ts";
import { RecordTable } from "./RecordTable.tsx";

const MARK_PX = 16;
const TICK_PX = 76;
const STEPS = 60;
const HALF_MINUTE = 30_000;

interface Pointed {
  lane: string;
  at: number;
}

/** The present as finely as it can be seen. */
function present(span: number): number {
  const step = Math.max(1_000, span / 900);
  return Math.floor(now.value / step) * step;
}

function Controls({ look }: { look: Signal<Look> }) {
  return (
    <div class="craft-controls">
      <button type="button" onClick={() => (look.value = shift(look.value, -1, now.peek()))}>
        {t("aircraft.line.earlier")}
      </button>
      <button
        type="button"
        aria-disabled={look.value.until === null}
        onClick={() => {
          if (look.value.until !== null) look.value = shift(look.value, 1, now.peek());
        }}
      >
        {t("aircraft.line.later")}
      </button>
      <button
        type="button"
        aria-pressed={look.value.until === null}
        onClick={() => (look.value = { ...look.value, until: null })}
      >
        {t("aircraft.line.now")}
      </button>
      <span class="craft-spans" role="group" aria-label={t("aircraft.line.span")}>
        {SPANS.map((span) => (
          <button
            key={span}
            type="button"
            aria-pressed={look.value.span === span}
            onClick={() => (look.value = zoom(look.value, span, now.peek()))}
          >
            {span < 3_600_000
              ? t("aircraft.line.minutes", { n: span / 60_000 })
              : t("aircraft.line.hours", { n: span / 3_600_000 })}
          </button>
        ))}
      </span>
    </div>
  );
}

function Legend({ lanes }: { lanes: readonly LaneData[] }) {
  const seen = new Map<string, Band>();
  for (const lane of lanes)
    for (const band of lane.bands)
      if (lane.name !== WHOLE || band.kind !== "state") seen.set(`${band.kind}${band.state}`, band);
  return (
    <ul class="craft-legend" aria-label={t("aircraft.line.legend")}>
      {[...seen.entries()]
        .sort(([a], [b]) => a.localeCompare(b))
        .map(([key, band]) => (
          <li key={key}>
            <svg width="34" height="30" aria-hidden="true">
              <Texture kind={band.kind} state={band.state} x="1" width="32" />
            </svg>
            {bandWord(band)}
          </li>
        ))}
      <li class="craft-quiet">{t("aircraft.line.marks")}</li>
    </ul>
  );
}

export function Timeline({ registration }: { registration: string }) {
  const look = useSignal<Look>({ until: null, span: SPANS[1] as number });
  const record = useRecord(registration, look);
  const pointed = useSignal<Pointed | null>(null);
  const width = useSignal(600);
  const plot = useRef<HTMLDivElement>(null);
  const zone = model.timezone.value;
  useEffect(() => {
    const axis = plot.current?.querySelector(".lane-axis");
    if (axis === null || axis === undefined) return undefined;
    const watch = new ResizeObserver(([entry]) => {
      if (entry !== undefined) width.value = entry.contentRect.width;
    });
    watch.observe(axis);
    return () => watch.disconnect();
  }, []);
  const names = useComputed(() => Object.keys(model.view(registration).value?.row.door_states ?? {}).join(" ")).value;
  const { document: timeline, refusal, unheard } = record.value;
  const until = useComputed(() => look.value.until ?? present(look.value.span)).value;
  const window = windowOf(look.value, until, timeline, [unheard, notLive.value?.since ?? null]);
  const scale: Scale = { window, width: Math.max(width.value, 1) };
  const apart = (MARK_PX * (window.until - window.since)) / scale.width;
  const doors = names === "" ? Object.keys(timeline?.doors ?? {}) : names.split(" ");
  const lanes = makeLanes(timeline, doors, window, apart);
  const at = (pointed.value === null ? null : lanes.find((lane) => lane.name === pointed.value?.lane)) ?? null;
  const cursor =
    at === null || pointed.value === null ? null : Math.min(Math.max(pointed.value.at, window.since), window.until);
  const ticks = listTicks(window.since, window.until, Math.max(2, scale.width / TICK_PX));
  const sayTick = (ms: number, in_zone: string): string =>
    ms % 60_000 === HALF_MINUTE ? clockTime(ms, in_zone) : clockMinute(ms, in_zone);

  const point = (event: PointerEvent, lane: string): void => {
    const box = (event.currentTarget as HTMLElement).getBoundingClientRect();
    pointed.value = { lane, at: window.since + ((event.clientX - box.left) / box.width) * look.value.span };
  };
  const press = (event: KeyboardEvent, lane: string): void => {
    const here = cursor ?? window.until;
    const step = look.value.span / STEPS;
    const order = lanes.map((each) => each.name);
    const moves: Record<string, () => Pointed> = {
      ArrowLeft: () => ({ lane, at: Math.max(here - step, window.since) }),
      ArrowRight: () => ({ lane, at: Math.min(here + step, window.until) }),
      Home: () => ({ lane, at: window.since }),
      End: () => ({ lane, at: window.until }),
      ArrowUp: () => ({ lane: order[order.indexOf(lane) - 1] ?? lane, at: here }),
      ArrowDown: () => ({ lane: order[order.indexOf(lane) + 1] ?? lane, at: here }),
    };
    const move = moves[event.key];
    if (move === undefined) return;
    event.preventDefault();
    pointed.value = move();
    if (pointed.value.lane !== lane)
      plot.current?.querySelector<HTMLElement>(`[data-lane="${pointed.value.lane}"]`)?.focus();
  };
  return (
    <Section id="timeline" title={t("aircraft.line")}>
      <Controls look={look} />
      {refusal !== null && <p class="craft-refused">{t("aircraft.line.refused", { reason: refusal })}</p>}
      {timeline === null && refusal === null && <p class="craft-quiet">{t("aircraft.line.asking")}</p>}
      {timeline?.cut != null && (
        <p class="craft-refused">{t("aircraft.line.cut", { time: clockTime(Date.parse(timeline.cut), zone) })}</p>
      )}
      <p class="craft-readout">
        {at !== null && cursor !== null
          ? sayMoment(at, cursor, zone)
          : t("aircraft.line.point", { from: clockTime(window.since, zone), to: clockTime(window.until, zone) })}
      </p>
      <Patterns />
      <div class="craft-lanes" ref={plot} onPointerLeave={() => (pointed.value = null)}>
        <AxisLane ticks={ticks} scale={scale} zone={zone} say={sayTick} />
        {lanes.map((lane, n) => {
          const mine = at?.name === lane.name;
          return (
            <div key={lane.name} class={lane.name === chosenDoor.value ? "craft-lane craft-lane-chosen" : "craft-lane"}>
              {lane.name === WHOLE ? (
                <span class="craft-lane-name craft-lane-whole">{laneWord(lane.name)}</span>
              ) : (
                <button
                  type="button"
                  class="craft-lane-name"
                  aria-pressed={lane.name === chosenDoor.value}
                  onClick={() => chooseDoor(lane.name === chosenDoor.value ? null : lane.name)}
                >
                  {lane.name}
                </button>
              )}
              <div
                class="craft-lane-plot"
                data-lane={lane.name}
                role="slider"
                tabIndex={(at === null ? n === 0 : mine) ? 0 : -1}
                aria-label={t("aircraft.line.lane", { place: laneWord(lane.name) })}
                aria-valuemin={0}
                aria-valuemax={Math.round(look.value.span / 1000)}
                aria-valuenow={Math.round(((mine && cursor !== null ? cursor : window.until) - window.since) / 1000)}
                aria-valuetext={sayMoment(lane, mine && cursor !== null ? cursor : window.until, zone)}
                onPointerMove={(event) => point(event, lane.name)}
                onPointerDown={(event) => point(event, lane.name)}
                onFocus={() => {
                  if (pointed.peek()?.lane !== lane.name)
                    pointed.value = { lane: lane.name, at: cursor ?? window.until };
                }}
                onKeyDown={(event) => press(event, lane.name)}
              >
                <LaneDrawing
                  bands={lane.bands}
                  spans={lane.spans}
                  scale={scale}
                  cursor={cursor}
                  lines={lineCount(lane.spans)}
                />
              </div>
            </div>
          );
        })}
      </div>
      <Legend lanes={lanes} />
      <Fold summary={t("aircraft.line.astable")}>{() => <RecordTable lanes={lanes} zone={zone} />}</Fold>
    </Section>
  );
}
