// One aircraft's sill line at its width, drawn anew when something of it changes; each second only while a door stands ajar.

import { useComputed, useSignal } from "@preact/signals";
import { useEffect, useMemo, useRef } from "preact/hooks";
import { model } from "../live/model.ts";
import { notLive, now } from "../live/stream.ts";
import { gatherDoors, windOf } from "../sill/gather.ts";
import { shrinkLine } from "../sill/shrink.ts";
import { say, SillLine } from "../sill/SillLine.tsx";
import { language } from "../words.ts";
import { useSize } from "./near.ts";
import type { Parts } from "./stable.ts";

const WORD_PX = 12;
const WORD_PX_FINE = 13;
const GLOVE_PX = 54;
/** From this width on, words are a little larger. */
const FINE_FROM_PX = 980;
/** On the wall, in its measure: see `apron.css` on how sizes there were reckoned. */
const WALL_WORD = 2.4;
const WALL_UNIT = 1.25;
/** The wall's measure, px: the same as the size of its text in `apron.css`. */
export const wallMeasure = (): number => Math.min(innerWidth, innerHeight * 1.78) / 100;
/** A line was drawn this wide last; the next row starts with it instead of measuring. */
let lastWidth = 0;

const coarse = matchMedia("(pointer: coarse)");

function useCoarse(): boolean {
  const is = useSignal(coarse.matches);
  useEffect(() => {
    const follow = (): void => {
      is.value = coarse.matches;
    };
    coarse.addEventListener("change", follow);
    return () => coarse.removeEventListener("change", follow);
  }, []);
  return is.value;
}

interface LineProps {
  registration: string;
  parts: Parts;
  /** How high it may be on the wall, px; not given where it is not on one. */
  most?: number;
}

export function Line({ registration, parts, most }: LineProps) {
  const wall = most !== undefined;
  const place = useRef<HTMLDivElement>(null);
  const size = useSize(place);
  const gloves = useCoarse();
  const live = useComputed(() => notLive.value === null);
  const wind = useComputed(() => windOf(model.stands.value.get(parts.row.value?.stand ?? "")));
  const type = useComputed(() => model.types.value[parts.row.value?.type ?? ""]);
  const untyped = useComputed(() => !parts.row.value?.type);
  const doors = useComputed(() => gatherDoors(type.value, parts.doors.value, parts.alerts.value));
  const second = useComputed(() => (doors.value.some((door) => door.state === "ajar") ? Math.floor(now.value / 1000) * 1000 : 0));
  const presence = useComputed(() => parts.row.value?.presence ?? "present");
  const holds = useComputed(() => live.value && parts.row.value?.feed === "live");
  const width = size.value?.width ?? lastWidth;
  if (width > 0) lastWidth = width;
  const word = wall ? wallMeasure() * WALL_WORD : width >= FINE_FROM_PX ? WORD_PX_FINE : WORD_PX;
  const input = useMemo(
    () => {
      const whole = {
        doors: doors.value,
        untyped: untyped.value,
        holds: holds.value,
        presence: presence.value,
        wind_kt: wind.value,
        width,
        size: word,
        unit: wall ? wallMeasure() * WALL_UNIT : word,
        cellMin: gloves && !wall ? GLOVE_PX : 0,
        together: wall,
        now: second.value,
        say,
      };
      return most === undefined ? whole : shrinkLine(whole, most);
    },
    [doors.value, untyped.value, holds.value, presence.value, wind.value, width, word, gloves, most, second.value, language.value],
  );
  return (
    <div class="row-line" ref={place}>
      {width > 0 && (wall ? <SillLine input={input} /> : <SillLine input={input} aircraft={registration} />)}
    </div>
  );
}
