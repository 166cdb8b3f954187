// What happened: every change in an alert's life, the newest first, joined by those that come in now.

import { useComputed } from "@preact/signals";
import { useEffect, useMemo } from "preact/hooks";
import { foreign } from "../foreign.ts";
import { model } from "../live/model.ts";
import { Simulated } from "../simulated/Simulated.tsx";
import type { EventDocument } from "../wire.ts";
import { t, tAny } from "../words.ts";
import { Days, Moment } from "./Days.tsx";
import { writeFilter } from "./filter.ts";
import { filter } from "./holding.ts";
import { Mark } from "../sill/Mark.tsx";
import { PagedList } from "./pages.ts";
import { useRenewed } from "./renewed.ts";
import { MoreButton } from "./MoreButton.tsx";
import { eventWord, historyAddress, isByPeople, joinEvents } from "./record.ts";
import { nameOf, placeAddress, priorityWord, sayPlace } from "./wording.ts";

const LIMIT = 50;

function Row({ event }: { event: EventDocument }) {
  const { data } = event;
  const word = eventWord(event.type);
  const personal = isByPeople(word);
  const by = personal && data.by !== undefined ? t("alerts.event.by", { by: nameOf(data.by) }) : "";
  const what = tAny(`alerts.event.${word}`, word.replaceAll("-", " "));
  return (
    <li class={`event event-${word}`}>
      <Moment at={event.time} />
      <Mark priority={data.priority} />
      <div class="event-body">
        <p>
          <a href={placeAddress(event)}>{sayPlace(data)}</a>
          {data.simulated === true && <Simulated />}: <b>{[what, by].filter(Boolean).join(" ")}</b>
          {personal && data.reason ? `: ${foreign(data.reason)}` : ""}
        </p>
        <p class="event-text">
          {priorityWord(data.priority)}: <span lang="en">{data.text}</span>{" "}
          <a class="event-code" href={writeFilter({ ...filter.peek(), view: "history", code: event.code })}>
            {event.code}
          </a>
        </p>
      </div>
    </li>
  );
}

export function History() {
  const list = useMemo(
    () =>
      new PagedList<EventDocument>(
        (after) => historyAddress(filter.peek(), model.timezone.peek(), after, LIMIT),
        (event) => event.id,
      ),
    [],
  );
  const { aircraft, door, code, since, until } = filter.value;
  const zone = model.timezone.value;
  useEffect(() => void list.restart(), [list, aircraft, door, code, since, until, zone]);
  useRenewed(list);
  const events = useComputed(() =>
    list.items.value === null ? null : joinEvents(model.events.value, list.items.value, filter.value, model.timezone.value),
  );
  return (
    <section class="record" aria-labelledby="record-title">
      <h2 id="record-title">{t("alerts.view.history")}</h2>
      {events.value !== null && events.value.length === 0 && <p class="nothing">{t("alerts.history.none")}</p>}
      <Days
        items={events.value ?? []}
        timeOf={(event) => event.time}
        draw={(event) => <Row key={event.id} event={event} />}
      />
      <MoreButton list={list} />
    </section>
  );
}
