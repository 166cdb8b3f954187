// The drills on record, the newest first, each with the way to its debrief.

import { foreign } from "../foreign.ts";
import { Table } from "../health/parts.tsx";
import { model } from "../live/model.ts";
import { Simulated } from "../simulated/Simulated.tsx";
import { calendarDay, clockMinute, duration } from "../times.ts";
import type { DrillDocument, Drills } from "../drills/documents.ts";
import { t } from "../words.ts";
import type { Answered } from "./asking.ts";
import { Part, Refused } from "./parts.tsx";

function Row({ drill, zone }: { drill: DrillDocument; zone: string }) {
  const began = Date.parse(drill.began_at);
  return (
    <tr>
      <th scope="row">
        <a href={`/debrief?drill=${encodeURIComponent(drill.permit_id)}`}>{foreign(drill.name || t("aircraft.permit.kind.drill"))}</a>
      </th>
      <td>
        {drill.aircraft}
        {drill.simulated === true && <Simulated />} {drill.doors.filter((door) => door !== "-").join(" ")}
      </td>
      <td>{drill.procedure ?? ""}</td>
      <td>
        <time dateTime={drill.began_at}>{`${calendarDay(began, zone)} ${clockMinute(began, zone)}`}</time>
      </td>
      <td>{drill.ended_at === null ? t("debrief.running") : duration(Date.parse(drill.ended_at) - began)}</td>
    </tr>
  );
}

/** Newest first. */
export const orderDrills = (drills: readonly DrillDocument[]): DrillDocument[] =>
  [...drills].sort((a, b) => Date.parse(b.began_at) - Date.parse(a.began_at));

export function DrillList({ drills }: { drills: Answered<Drills> }) {
  const zone = model.timezone.value;
  const items = orderDrills(drills.document?.items ?? []);
  return (
    <Part id="drills" title={t("debrief.drills")}>
      <Refused detail={drills.refusal} />
      {drills.asking && <p role="status">{t("debrief.asking")}</p>}
      {drills.document !== null && items.length === 0 && <p>{t("debrief.drills.none")}</p>}
      {items.length > 0 && (
        <Table
          caption={t("debrief.drills.caption")}
          heads={[t("debrief.drill"), t("debrief.where"), t("drill.procedure"), t("debrief.began"), t("debrief.lasted")]}
        >
          {items.map((drill) => (
            <Row key={drill.permit_id} drill={drill} zone={zone} />
          ))}
        </Table>
      )}
    </Part>
  );
}
