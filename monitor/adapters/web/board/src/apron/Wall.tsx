// The apron on a wall: no controls, words to be read at five metres, the most urgent rows that fit, the others in turn.

import { useComputed, useSignal } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import { model, type AircraftView } from "../live/model.ts";
import { t } from "../words.ts";
import { Line } from "./Line.tsx";
import { useSize } from "./near.ts";
import { isQuiet, orderAircraft, rankOf } from "./order.ts";
import { layPages } from "./pages.ts";
import { Age, Called, Further, Told, Wind } from "./Parts.tsx";
import { useParts } from "./stable.ts";
import { urgentFirst } from "./worst.ts";

const TURN_MS = 10_000;
/** Share of the wall's height that a row is taken to need until it was measured. */
const HEIGHT_GUESS = 0.45;
const BRIEF_GUESS = 0.09;

interface Shown {
  registration: string;
  whole: boolean;
  onHeight: (height: number) => void;
}

function WallRow({ registration, whole, onHeight }: Shown) {
  const place = useRef<HTMLLIElement>(null);
  const size = useSize(place);
  const parts = useParts(registration);
  const height = size.value?.height ?? 0;
  useEffect(() => {
    if (height > 0) onHeight(height);
  }, [height, whole]);
  const row = parts.row.value;
  const stand = useComputed(() => model.stands.value.get(parts.row.value?.stand ?? ""));
  if (row === null) return <li ref={place} />;
  const [first, ...others] = urgentFirst(parts.alerts.value);
  const further = others.filter((alert) => alert.priority === "warning" && alert.state === "unacknowledged");
  const kind = `wall-row ${rankOf({ row, alerts: parts.alerts.value }).replaceAll(" ", "-")}`;
  if (!whole && first !== undefined) {
    return (
      <li ref={place} class={`${kind} brief`}>
        <div class="wall-name">
          <span class="row-stand">{row.stand === "" ? registration : row.stand}</span>
        </div>
        <div class="wall-told">
          <Called alert={first} />
        </div>
      </li>
    );
  }
  return (
    <li ref={place} class={kind}>
      <div class="wall-name">
        <span class={row.stand === "" ? "row-stand none" : "row-stand"}>{row.stand === "" ? t("apron.stand.none") : row.stand}</span>
        <span class="row-registration">{registration}</span>
        <div class="row-air">
          {row.stand !== "" && <Wind stand={stand.value} />}
          <Age registration={registration} />
        </div>
      </div>
      <div class="wall-told">
        {first !== undefined && <Told alert={first} more={others.length - further.length} />}
        {further.map((alert) => (
          <Further key={alert.alert_id} alert={alert} />
        ))}
        <Line registration={registration} parts={parts} wall={true} />
      </div>
    </li>
  );
}

const heightKey = (name: string, whole: boolean): string => `${name}|${whole}`;

export function Wall() {
  const list = useRef<HTMLUListElement>(null);
  const size = useSize(list);
  const heights = useSignal<ReadonlyMap<string, number>>(new Map());
  const turn = useSignal(0);
  useEffect(() => {
    const timer = setInterval(() => {
      turn.value += 1;
    }, TURN_MS);
    return () => clearInterval(timer);
  }, []);
  const rows = useComputed(() => {
    const views = model.registrations.value.map((each) => model.view(each).value).filter((view): view is AircraftView => view !== null);
    const ranks = new Map(views.map((view) => [view.row.aircraft, rankOf(view)]));
    // What is powered down or away needs nobody's eye across the room.
    return orderAircraft(views)
      .filter((name) => !isQuiet(ranks.get(name) ?? "calm"))
      .map((name) => ({ name, stays: ranks.get(name) === "warning nobody has" || ranks.get(name) === "warning" }));
  });
  const room = size.value?.height ?? 0;
  const gap = innerHeight * 0.012;
  const pages = layPages(
    rows.value.map((row) => ({
      ...row,
      height: heights.value.get(heightKey(row.name, true)) ?? room * HEIGHT_GUESS,
      brief: heights.value.get(heightKey(row.name, false)) ?? room * BRIEF_GUESS,
    })),
    room,
    gap,
  );
  const at = pages.length === 0 ? 0 : turn.value % pages.length;
  const page = pages[at] ?? [];
  return (
    <div class="wall-page">
      <ul class="wall-rows" ref={list}>
        {page.map(({ name, whole }) => (
          <WallRow
            key={name}
            registration={name}
            whole={whole}
            onHeight={(height) => {
              const key = heightKey(name, whole);
              if (heights.peek().get(key) !== height) heights.value = new Map(heights.peek()).set(key, height);
            }}
          />
        ))}
      </ul>
      {rows.value.length === 0 && <p class="apron-empty">{model.health.value === null ? t("waiting") : t("apron.empty")}</p>}
      {pages.length > 1 && <p class="wall-turn">{t("apron.page", { page: at + 1, pages: pages.length })}</p>}
    </div>
  );
}
