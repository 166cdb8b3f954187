// The pieces of a debrief: its sections, its moments, a width that is followed.

import { useSignal } from "@preact/signals";
import { createContext, type ComponentChildren, type RefObject } from "preact";
import { useContext, useEffect } from "preact/hooks";
import { calendarDay, clockTime } from "../times.ts";
import { t } from "../words.ts";

/** The zone that a debrief's times are told in, and the day that needs no saying; empty where each says its own. */
export const Times = createContext<{ zone: string; day: string }>({ zone: "UTC", day: "" });

/** A moment in the debrief's zone, with its day where the debrief has more than one. */
export function When({ at, seconds = true }: { at: string | null | undefined; seconds?: boolean }) {
  const { zone, day } = useContext(Times);
  if (at === null || at === undefined) return <>{t("debrief.never")}</>;
  const ms = Date.parse(at);
  const own = calendarDay(ms, zone);
  const time = clockTime(ms, zone);
  return <time dateTime={at}>{`${own === day ? "" : `${own} `}${seconds ? time : time.slice(0, 5)}`}</time>;
}

export function Part({ id, title, children }: { id: string; title: string; children: ComponentChildren }) {
  return (
    <section id={id} class="debrief-part" aria-labelledby={`${id}-title`}>
      <h3 id={`${id}-title`}>{title}</h3>
      {children}
    </section>
  );
}

/** How wide an element is, px; 600 until it was looked at. */
export function useWidth(place: RefObject<HTMLElement | null>): number {
  const width = useSignal(600);
  useEffect(() => {
    if (place.current === null) return undefined;
    const watch = new ResizeObserver(([entry]) => {
      if (entry !== undefined && entry.contentRect.width > 0) width.value = entry.contentRect.width;
    });
    watch.observe(place.current);
    return () => watch.disconnect();
  }, []);
  return width.value;
}

/** Why there is nothing to show: the service's own sentence, or that it was not reached. */
export function Refused({ detail }: { detail: string | null }) {
  if (detail === null) return null;
  return <p class="health-refusal">{detail === "" ? t("alerts.act.unreached") : <English text={detail} />}</p>;
}

/** What the service says in English. */
export function English({ text }: { text: string }) {
  return <span lang="en">{text}</span>;
}
