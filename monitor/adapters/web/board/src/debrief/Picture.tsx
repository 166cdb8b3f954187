// The picture of a debrief: a line of time for each door of which something is to be told, one aircraft after the other.

import { useSignal } from "@preact/signals";
import { useContext, useRef } from "preact/hooks";
import { listTicks } from "../aircraft/axis.ts";
import { lineCount, type Band } from "../aircraft/bands.ts";
import { AxisLane, LaneDrawing, Patterns, Texture, type Scale } from "../aircraft/Lane.tsx";
import { bandWord, laneWord } from "../aircraft/lane_words.ts";
import { RecordTable } from "../aircraft/RecordTable.tsx";
import { printing } from "../printing.ts";
import { Simulated } from "../simulated/Simulated.tsx";
import { calendarDay, clockMinute, clockTime } from "../times.ts";
import { t, tAny } from "../words.ts";
import type { DebriefDocument } from "./documents.ts";
import { Part, Times, useWidth } from "./parts.tsx";
import { makePicture, windowOf, type Piece, type PictureGroup, type PictureLane } from "./picture.ts";

const MARK_PX = 16;
const TICK_PX = 84;
const DAY_MS = 86_400_000;
const MINUTE_MS = 60_000;
/** Of more aircraft than these only the names stand open. */
const OPEN_MAX = 4;

function Unseen({ pieces, scale }: { pieces: readonly Piece[]; scale: Scale }) {
  if (pieces.length === 0) return null;
  const { since, until } = scale.window;
  const place = (at: number): number => (100 * (at - since)) / (until - since);
  return (
    <svg class="lane-unseen" width="100%" height="9" aria-hidden="true">
      {pieces.map((piece) => (
        <rect key={piece.from} x={`${place(piece.from)}%`} width={`${place(piece.to) - place(piece.from)}%`} y={1} height={6} />
      ))}
    </svg>
  );
}

function Lane({ lane, scale }: { lane: PictureLane; scale: Scale }) {
  return (
    <div class="craft-lane">
      <span class="craft-lane-name">{laneWord(lane.name)}</span>
      <div class="debrief-plot">
        <LaneDrawing bands={lane.bands} spans={lane.spans} scale={scale} cursor={null} lines={lineCount(lane.spans)} />
        <Unseen pieces={lane.unseen} scale={scale} />
      </div>
    </div>
  );
}

function Still({ group }: { group: PictureGroup }) {
  if (group.still.length === 0) return null;
  const by = new Map<string, string[]>();
  for (const { name, state } of group.still) by.set(state, [...(by.get(state) ?? []), name]);
  return (
    <p class="craft-quiet">
      {t("debrief.still")}{" "}
      {[...by.entries()]
        .map(([state, names]) => `${names.join(" ")} ${state === "" ? t("aircraft.line.notrecorded") : tAny(`state.${state}`, state)}`)
        .join("; ")}
    </p>
  );
}

function Group({ group, scale, zone, simulated, start }: { group: PictureGroup; scale: Scale; zone: string; simulated: boolean; start: boolean }) {
  const open = useSignal(start);
  const table = useSignal(false);
  const width = scale.window.until - scale.window.since;
  const ticks = listTicks(scale.window.since, scale.window.until, Math.max(2, scale.width / TICK_PX));
  const say = (at: number, inZone: string): string => {
    if (width > 2 * DAY_MS) return calendarDay(at, inZone).slice(5);
    return at % MINUTE_MS === 0 ? clockMinute(at, inZone) : clockTime(at, inZone);
  };
  return (
    <details class="craft-fold debrief-craft" open={open.value || printing.value} onToggle={(event) => (open.value = event.currentTarget.open)}>
      <summary>
        <b>{group.aircraft}</b>
        {simulated && <Simulated />}
      </summary>
      {(open.value || printing.value) && (
        <>
          <div class="craft-lanes">
            {group.lanes.length > 0 && (
              <AxisLane ticks={ticks} scale={scale} zone={zone} say={say} />
            )}
            {group.lanes.map((lane) => (
              <Lane key={lane.name} lane={lane} scale={scale} />
            ))}
          </div>
          <Still group={group} />
          <details class="craft-fold debrief-table" onToggle={(event) => (table.value = event.currentTarget.open)}>
            <summary>
              <span class="craft-fold-words">{t("aircraft.line.astable")}</span>
            </summary>
            {table.value && <RecordTable lanes={group.lanes} zone={zone} of={group.aircraft} />}
          </details>
        </>
      )}
    </details>
  );
}

function Legend({ groups }: { groups: readonly PictureGroup[] }) {
  const seen = new Map<string, Band>();
  for (const group of groups) for (const lane of group.lanes) for (const band of lane.bands) seen.set(`${band.kind}${band.state}`, band);
  const unseen = groups.some((group) => group.lanes.some((lane) => lane.unseen.length > 0));
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
      {unseen && (
        <li>
          <svg class="lane-unseen" width="34" height="12" aria-hidden="true">
            <rect x="1" width="32" y="2" height="6" />
          </svg>
          {t("debrief.unseen")}
        </li>
      )}
      <li class="craft-quiet">{t("aircraft.line.marks")}</li>
    </ul>
  );
}

export function Picture({ document }: { document: DebriefDocument }) {
  const { zone } = useContext(Times);
  const place = useRef<HTMLDivElement>(null);
  // What is left of it beside the names of the doors.
  const width = Math.max(useWidth(place) - 96, 120);
  const window = windowOf(document);
  const scale: Scale = { window, width };
  const groups = makePicture(document, (MARK_PX * (window.until - window.since)) / width);
  const simulated = new Set(document.timeline.filter((lane) => lane.simulated === true).map((lane) => lane.aircraft));
  return (
    <Part id="picture" title={t("debrief.picture")}>
      <Patterns />
      <div ref={place} class="debrief-crafts">
        {groups.length === 0 && <p class="craft-quiet">{t("debrief.picture.none")}</p>}
        {groups.map((group) => (
          <Group
            key={group.aircraft}
            group={group}
            scale={scale}
            zone={zone}
            simulated={simulated.has(group.aircraft)}
            start={groups.length <= OPEN_MAX}
          />
        ))}
      </div>
      <Legend groups={groups} />
    </Part>
  );
}
