// The alerts page: what needs somebody, what somebody has, what is set aside; the history; who did what.

import type { JSX } from "preact";
import { useEffect, useLayoutEffect, useRef } from "preact/hooks";
import { AlertItem } from "../alerts/AlertItem.tsx";
import { isFiltered, NO_FILTER, readFilter, writeFilter, type View } from "../alerts/filter.ts";
import { FilterBar } from "../alerts/FilterBar.tsx";
import { filter, followList, held, hold, layout, release } from "../alerts/holding.ts";
import { GROUPS, groupOf, type Group, type Line } from "../alerts/order.ts";
import { sayPlace } from "../alerts/wording.ts";
import { later } from "../later.tsx";
import { model } from "../live/model.ts";
import { Boundary } from "../parts/Boundary.tsx";
import { route } from "../route.ts";
import { t, type Key } from "../words.ts";

const History = later(() => import("../alerts/Past.tsx").then((part) => part.History));
const Audit = later(() => import("../alerts/Past.tsx").then((part) => part.Audit));

const VIEWS: readonly View[] = ["now", "history", "audit"];

function Views() {
  const now = filter.value;
  return (
    <nav class="views" aria-label={t("alerts.views")}>
      {VIEWS.map((view) => (
        <a
          key={view}
          href={writeFilter({ ...NO_FILTER, aircraft: now.aircraft, door: now.door, view })}
          aria-current={view === now.view ? "page" : undefined}
        >
          {t(`alerts.view.${view}`)}
        </a>
      ))}
    </nav>
  );
}

function Lines({ name, lines, group }: { name: Group | "meanwhile"; lines: readonly Line[]; group: Group }) {
  const empty = lines.length === 0;
  if (empty && name !== "waiting") return null;
  const touch = (): void => hold(group);
  // While the list stands still it also holds what has gone on to another group.
  const standing = lines.filter((line) => !line.over && (name === "meanwhile" || groupOf(line.alert) === name)).length;
  return (
    <section class={`alert-group alert-group-${name}`} aria-labelledby={`group-${name}`}>
      <h2 id={`group-${name}`} tabIndex={-1}>
        {t(`alerts.group.${name}` as Key)} <span class="count">{standing}</span>
      </h2>
      {empty ? (
        <p class="nothing">{t(isFiltered(filter.value) ? "alerts.none.filtered" : "alerts.none")}</p>
      ) : (
        <ul onPointerDown={touch} onPointerMove={touch} onKeyDown={touch} onFocusIn={touch}>
          {lines.map((line) => (
            <Boundary key={line.place} what={sayPlace(line.alert)} item>
              <AlertItem alert={line.alert} over={line.over} />
            </Boundary>
          ))}
        </ul>
      )}
    </section>
  );
}

/** The place of the alert that has the focus, or "" for another part of the list; null: the focus is elsewhere. */
function placeInFocus(box: HTMLElement | null): string | null {
  const active = document.activeElement;
  if (box === null || active === null || !box.contains(active)) return null;
  return active.closest("[data-place]")?.getAttribute("data-place") ?? "";
}

function Standing() {
  const box = useRef<HTMLDivElement>(null);
  useEffect(followList, []);
  const lines = layout.value;
  const touched = held.value;
  // Asked before anything is drawn: an alert that goes to another group takes the focus along.
  const place = placeInFocus(box.current);
  useLayoutEffect(() => {
    if (place === null || document.activeElement !== document.body || box.current === null) return;
    const item = place === "" ? null : box.current.querySelector(`[data-place="${CSS.escape(place)}"] h3`);
    const target = (item ?? box.current.querySelector("h2")) as HTMLElement | null;
    target?.focus({ preventScroll: true });
  });
  const sections: JSX.Element[] = [];
  for (const group of GROUPS) {
    sections.push(<Lines key={group} name={group} lines={lines[group]} group={group} />);
    if (group === (touched ?? "waiting")) {
      sections.push(<Lines key="meanwhile" name="meanwhile" lines={lines.meanwhile} group={group} />);
    }
  }
  return <div ref={box}>{sections}</div>;
}

export function Alerts() {
  // A link to this page may bring another filter.
  const shown = route.value;
  useEffect(() => {
    const wanted = readFilter(new URLSearchParams(location.search));
    if (writeFilter(wanted) !== writeFilter(filter.peek())) {
      release();
      filter.value = wanted;
    }
  }, [shown]);
  if (model.site.value === "") return <p class="nothing">{t("waiting")}</p>;
  const { view } = filter.value;
  return (
    <div class="alerts-page">
      <div class="alerts-bar">
        <Views />
        <FilterBar key={view} />
      </div>
      {view === "now" ? <Standing /> : view === "history" ? <History /> : <Audit />}
    </div>
  );
}
