// The record by days of the site, and the moments in it.

import type { JSX } from "preact";
import { model } from "../live/model.ts";
import { calendarDay, clockTime } from "../times.ts";
import { t } from "../words.ts";

/** A moment of the record: the site's clock, and UTC below it. */
export function Moment({ at }: { at: string }) {
  const ms = Date.parse(at);
  return (
    <time class="moment" dateTime={at}>
      <b>{clockTime(ms, model.timezone.value)}</b> <span>{t("clock.utc", { time: clockTime(ms, "UTC") })}</span>
    </time>
  );
}

/** Items under the day that they belong to. */
function byDay<Item>(items: readonly Item[], timeOf: (item: Item) => string, zone: string): [string, Item[]][] {
  const days: [string, Item[]][] = [];
  for (const item of items) {
    const day = calendarDay(Date.parse(timeOf(item)), zone);
    const last = days.at(-1);
    if (last !== undefined && last[0] === day) last[1].push(item);
    else days.push([day, [item]]);
  }
  return days;
}

export interface DaysProps<Item> {
  items: readonly Item[];
  timeOf: (item: Item) => string;
  draw: (item: Item) => JSX.Element;
}

export function Days<Item>({ items, timeOf, draw }: DaysProps<Item>) {
  return (
    <>
      {byDay(items, timeOf, model.timezone.value).map(([day, each]) => (
        <section key={day} class="day">
          <h3>{day}</h3>
          <ol class="events">{each.map(draw)}</ol>
        </section>
      ))}
    </>
  );
}
