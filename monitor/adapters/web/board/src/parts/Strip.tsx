// The lines at the top of every page: each warning that nobody has and that no row of this screen shows.
//
// A line is there at once, over the page if need be; the page makes room for it in a quiet moment. On a wall
// there is one line, and nothing to press.

import { computed, signal, useSignal } from "@preact/signals";
import { useEffect, useLayoutEffect, useRef } from "preact/hooks";
import { closeChoice, openChoice, refusals, sending, working } from "../alerts/acting.ts";
import { Choice } from "../alerts/Choice.tsx";
import { Mark } from "../sill/Mark.tsx";
import { countLines, pickLines, settleStrip, type StandingIn } from "../alerts/standing_in.ts";
import { actionOf, placeAddress, priorityWord, sayPlace, WHOLE } from "../alerts/wording.ts";
import { model, placeOf } from "../live/model.ts";
import { coverTop, drawnInRows, followDrawn } from "../receipts.ts";
import { route } from "../route.ts";
import { onlyLooks } from "../session.ts";
import { Simulated } from "../simulated/Simulated.tsx";
import type { AlertDocument } from "../wire.ts";
import { t, tCount } from "../words.ts";
import { useRoom } from "./room.ts";

/** So long a page with rows takes, at most, to be laid out and looked at for the first time. */
const ROWS_MS = 500;

const most = signal(countLines(innerHeight));
window.addEventListener("resize", () => (most.value = countLines(innerHeight)));

/** From when on the rows of a page that was just opened have said what they draw, on `performance.now`. */
const rowsSpeakAt = computed(() => {
  const { page } = route.value;
  return model.site.value !== "" && (page === "apron" || page === "alerts") ? performance.now() + ROWS_MS : 0;
});

/** The rhythm of what calls: half of this heavy, half light. Slower than once a second. */
const BEAT_MS = 1_600;

/** Give every calling mark of the page its beat, one and the same, while any calls. */
function useBeat(calls: boolean): void {
  useEffect(() => {
    if (!calls) return undefined;
    const { dataset } = document.documentElement;
    const timer = setInterval(() => {
      if (dataset["beat"] === undefined) dataset["beat"] = "";
      else delete dataset["beat"];
    }, BEAT_MS / 2);
    return () => {
      clearInterval(timer);
      delete dataset["beat"];
    };
  }, [calls]);
}

function Line({ alert, open, wall }: { alert: AlertDocument; open: boolean; wall: boolean }) {
  const line = useRef<HTMLLIElement>(null);
  useEffect(() => (line.current === null ? undefined : followDrawn(line.current, alert.alert_id, true)), [alert.alert_id]);
  const door = alert.door === WHOLE ? "" : alert.door;
  const action = actionOf(alert);
  const Where = wall ? "span" : "a";
  return (
    <li class="strip-line calls" ref={line}>
      <Where class="strip-where" {...(wall ? {} : { href: placeAddress(alert) })}>
        <Mark priority={alert.priority} />
        <span class="unseen">{priorityWord(alert.priority)}</span>
        <b class="strip-place">
          {alert.aircraft === WHOLE ? sayPlace(alert) : [door, alert.aircraft, alert.stand].filter(Boolean).join(" ")}
        </b>
        {alert.simulated === true && <Simulated />}
        <span class="strip-action" lang={action.lang}>
          {action.text}
        </span>
      </Where>
      {!wall && (
        <button
          type="button"
          aria-expanded={open}
          aria-disabled={onlyLooks.value}
          aria-label={`${t("alerts.act.acknowledge")}: ${sayPlace(alert)}`}
          onClick={() => openChoice(alert, "acknowledge", "strip")}
        >
          {t("alerts.act.acknowledge")}
        </button>
      )}
    </li>
  );
}

/** The warnings that nobody has, newest state of the model. */
const listWaiting = (): AlertDocument[] =>
  [...model.alerts.value.values()].filter((each) => each.priority === "warning" && each.state === "unacknowledged");

export function Strip({ wall }: { wall: boolean }) {
  const standing = useRef<StandingIn>(new Map());
  const again = useSignal(0);
  void again.value;
  const waiting = listWaiting();
  useBeat(waiting.length > 0);
  const settled = settleStrip(standing.current, waiting, drawnInRows.value, performance.now(), rowsSpeakAt.value);
  standing.current = settled.after;
  useEffect(() => {
    if (settled.lookAt === null) return undefined;
    const timer = setTimeout(() => (again.value += 1), Math.max(0, settled.lookAt - performance.now()) + 1);
    return () => clearTimeout(timer);
  });

  const work = working.value;
  const kept = work?.where === "strip" ? (waiting.find((each) => placeOf(each) === work.place)?.alert_id ?? null) : null;
  const { lines, more } = pickLines(waiting, settled.after, kept, wall ? 1 : most.value);
  const chosen = kept === null ? undefined : lines.find((each) => each.alert_id === kept);
  const refusal = chosen === undefined ? undefined : refusals.value.get(placeOf(chosen));

  const box = useRef<HTMLElement>(null);
  const list = useRef<HTMLUListElement>(null);
  const room = useRoom(list);
  // The choice of a line whose warning is no longer there to be taken waits for nobody.
  const orphaned = work?.where === "strip" && kept === null;
  useEffect(() => {
    if (orphaned && sending.peek() === null) closeChoice();
  }, [orphaned]);
  const hadFocus = box.current?.contains(document.activeElement) === true;
  useLayoutEffect(() => {
    const height = list.current?.offsetHeight ?? 0;
    coverTop(height);
    // What the keyboard reaches must not come to lie below the lines.
    document.documentElement.style.scrollPaddingTop = `${height + 8}px`;
    // What sticks below the strip has to know how far down that is.
    document.documentElement.style.setProperty("--strip-height", `${height}px`);
    if (hadFocus && document.activeElement === document.body) {
      const next = box.current?.querySelector<HTMLElement>("a") ?? document.getElementById("page");
      next?.focus({ preventScroll: true });
    }
  });

  return (
    <section class="strip" ref={box} aria-label={t("strip.label")} style={{ height: `${room.value}px` }}>
      <ul class="strip-lines" ref={list}>
        {lines.map((alert) => (
          <Line key={alert.alert_id} alert={alert} open={alert === chosen} wall={wall} />
        ))}
        {more > 0 && (
          <li class="strip-more">
            {wall ? tCount("strip.more", more) : <a href="/alerts?priority=warning">{tCount("strip.more", more)}</a>}
          </li>
        )}
      </ul>
      {chosen !== undefined && (
        <div class="strip-choice">
          {refusal !== undefined && <p class="alert-refusal">{refusal}</p>}
          <Choice alert={chosen} act="acknowledge" />
        </div>
      )}
    </section>
  );
}
