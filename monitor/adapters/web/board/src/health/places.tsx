// Where and when an alarm was: the role it asked, the place it spoke of, the moment.

import { model } from "../live/model.ts";
import { now } from "../live/stream.ts";
import { Simulated } from "../simulated/Simulated.tsx";
import { calendarDay, clockMinute, clockTime } from "../times.ts";
import { t } from "../words.ts";
import type { Place } from "./documents.ts";

export { nameRole } from "../alerts/wording.ts";

/** A moment as the day and the minute, the day only where it is not today. */
export function Moment({ at, seconds = false }: { at: string; seconds?: boolean }) {
  const ms = Date.parse(at);
  const zone = model.timezone.value;
  const day = calendarDay(ms, zone);
  const today = calendarDay(now.peek(), zone);
  const time = seconds ? clockTime(ms, zone) : clockMinute(ms, zone);
  return <time dateTime={at}>{day === today ? time : `${day} ${time}`}</time>;
}

/** An alarm's place: which aircraft, which door, which kind. */
export function PlaceCells({ place }: { place: Place }) {
  const door = place.door === "-" ? "" : `?door=${encodeURIComponent(place.door)}`;
  return (
    <>
      <th scope="row">
        {place.aircraft === "-" ? t("health.whole_site") : <a href={`/aircraft/${place.aircraft}${door}`}>{place.aircraft}</a>}
        {place.simulated === true && <Simulated />}
      </th>
      <td>{place.door !== "-" ? place.door : place.aircraft === "-" ? "" : t("health.whole")}</td>
      <td>{place.code}</td>
    </>
  );
}
