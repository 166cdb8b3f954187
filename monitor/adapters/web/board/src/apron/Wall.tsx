// The apron on a wall: no controls, words to be read at five metres, the most urgent rows that fit, the others in turn.

import { useComputed, useSignal } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import { model, type AircraftView } from "../live/model.ts";
import { Boundary, undrawn } from "../parts/Boundary.tsx";
import { Simulated } from "../simulated/Simulated.tsx";
import { t, tCount } from "../words.ts";
import { Line, wallMeasure } from "./Line.tsx";
import { useSize } from "./near.ts";
import { isQuiet, orderAircraft, rankOf } from "./order.ts";
import { isWhole, layPages, leadOf, type WallPage } from "./pages.ts";
import { Age, Called, Further, Told, Wind } from "./Parts.tsx";
import { useParts } from "./stable.ts";
import { urgentFirst } from "./worst.ts";

const TURN_MS = 10_000;
const LOOK_MS = 500;
/** Share of the wall's height that a row is taken to need until it was measured. */
const HEIGHT_GUESS = 0.4;
const BRIEF_GUESS = 0.09;
/** Share that a row's line may need, so that two rows with a warning stand on a page. */
const LINE_SHARE = 0.26;
/** Height of the line that names further warnings, in the wall's measure. */
const MORE_LINE = 3;
const WARNINGS_SHOWN = 4;

interface Shown {
  registration: string;
  whole: boolean;
  /** How high its line may be, px. */
  most: number;
  onHeight: (height: number) => void;
}

function WallRow({ registration, whole, most, onHeight }: Shown) {
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
  const waiting = others.filter((alert) => alert.priority === "warning" && alert.state === "unacknowledged");
  const further = waiting.slice(0, WARNINGS_SHOWN - 1);
  const rank = rankOf({ row, doors: parts.doors.value, readiness: parts.readiness.value, alerts: parts.alerts.value });
  const kind = `wall-row ${rank.replaceAll(" ", "-")}`;
  if (!whole && first !== undefined) {
    return (
      <li ref={place} class={`${kind} brief`}>
        <div class="wall-name">
          <span class="row-stand">{row.stand === "" ? registration : row.stand}</span>
          {row.simulated && <Simulated />}
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
        {row.simulated && <Simulated />}
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
        <Line registration={registration} parts={parts} most={most} />
      </div>
    </li>
  );
}

const heightKey = (name: string, whole: boolean): string => `${name}|${whole}`;

interface Listed {
  name: string;
  stand: string;
  stays: boolean;
  /** Its warnings that nobody has, by alert id. */
  calls: string[];
}

function listRows(): Listed[] {
  const views = model.registrations.value.map((each) => model.view(each).value).filter((view): view is AircraftView => view !== null);
  const known = new Map(views.map((view) => [view.row.aircraft, view]));
  return orderAircraft(views, undrawn.value).flatMap((name) => {
    const view = known.get(name);
    const rank = view === undefined ? "away" : rankOf(view, undrawn.value);
    // What is powered down or away needs nobody's eye across the room.
    if (view === undefined || isQuiet(rank)) return [];
    const calls = view.alerts.filter((alert) => alert.priority === "warning" && alert.state === "unacknowledged");
    const stays = rank === "warning nobody has" || rank === "warning";
    return [{ name, stand: view.row.stand || name, stays, calls: calls.map((alert) => alert.alert_id) }];
  });
}

/** Which page is shown: each in its turn, and at once the one on which a new warning stands whole. */
function useTurn(pages: readonly WallPage[], rows: readonly Listed[]): number {
  const lead = useSignal("");
  const since = useRef(performance.now());
  const told = useRef<ReadonlySet<string>>(new Set());
  // Found by its row, since pages are laid anew whenever a height changes.
  const at = Math.max(0, pages.findIndex((page) => isWhole(page, lead.value)));
  const latest = useRef({ pages, at });
  latest.current = { pages, at };
  useEffect(() => {
    const timer = setInterval(() => {
      if (performance.now() - since.current < TURN_MS) return;
      const { pages: all, at: shown } = latest.current;
      since.current = performance.now();
      lead.value = leadOf(all, (shown + 1) % all.length);
    }, LOOK_MS);
    return () => clearInterval(timer);
  }, []);
  useEffect(() => {
    const fresh = rows.find((row) => row.calls.some((id) => !told.current.has(id)));
    told.current = new Set(rows.flatMap((row) => row.calls));
    if (fresh === undefined) return;
    since.current = performance.now();
    lead.value = fresh.name;
  }, [rows]);
  return at;
}

export function Wall() {
  const list = useRef<HTMLUListElement>(null);
  const size = useSize(list);
  const heights = useSignal<ReadonlyMap<string, number>>(new Map());
  const rows = useComputed(listRows).value;
  const room = size.value?.height ?? 0;
  const height = (name: string, whole: boolean): number =>
    heights.value.get(heightKey(name, whole)) ?? room * (whole ? HEIGHT_GUESS : BRIEF_GUESS);
  const pages = layPages(
    rows.map(({ name, stays }) => ({ name, stays, height: height(name, true), brief: height(name, false) })),
    { height: room, gap: innerHeight * 0.012, line: wallMeasure() * MORE_LINE },
  );
  const at = useTurn(pages, rows);
  const page = room > 0 ? pages[at] : undefined;
  const more = page?.more ?? [];
  const where = rows.filter((row) => more.includes(row.name)).map((row) => row.stand);
  return (
    <div class="wall-page">
      <ul class="wall-rows" ref={list}>
        {/* Whole and in brief are two rows: the one must not be measured by what is left of the other. */}
        {page?.rows.map(({ name, whole }) => (
          <Boundary key={heightKey(name, whole)} what={name} item>
            <WallRow
              registration={name}
              whole={whole}
              most={room * LINE_SHARE}
              onHeight={(px) => {
                const key = heightKey(name, whole);
                if (heights.peek().get(key) !== px) heights.value = new Map(heights.peek()).set(key, px);
              }}
            />
          </Boundary>
        ))}
        {more.length > 0 && <li class="wall-more">{tCount("apron.wall.more", more.length, { where: where.join(", ") })}</li>}
      </ul>
      {rows.length === 0 && <p class="apron-empty">{model.health.value === null ? t("waiting") : t("apron.empty")}</p>}
      {pages.length > 1 && <p class="wall-turn">{t("apron.page", { page: at + 1, pages: pages.length })}</p>}
    </div>
  );
}
