// One aircraft on the apron. Far off the screen it is its name alone; near it, everything.

import { useComputed } from "@preact/signals";
import { useRef } from "preact/hooks";
import { model } from "../live/model.ts";
import { isOver } from "../sill/gather.ts";
import { RunLines } from "../procedures/RunLine.tsx";
import { Simulated } from "../simulated/Simulated.tsx";
import { t } from "../words.ts";
import { Answers, DeafTo } from "./Answers.tsx";
import { Line } from "./Line.tsx";
import { useNear, useSize } from "./near.ts";
import { isQuiet, rankOf } from "./order.ts";
import { Aboard, Age, Further, Permit, Told, Wind } from "./Parts.tsx";
import { useParts, type Parts } from "./stable.ts";
import { urgentFirst } from "./worst.ts";

const HEIGHT_PX = 260;
const HEIGHT_QUIET_PX = 64;
const WARNINGS_SHOWN = 4;

function Place({ registration, parts }: { registration: string; parts: Parts }) {
  const row = parts.row.value;
  const stand = useComputed(() => model.stands.value.get(parts.row.value?.stand ?? ""));
  if (row === null) return null;
  return (
    <div class="row-place">
      <div class="row-aboard">
        <Aboard row={row} />
      </div>
      <div class="row-air">
        {row.stand !== "" && <Wind stand={stand.value} />}
        <Age registration={registration} />
      </div>
    </div>
  );
}

function Side({ parts }: { parts: Parts }) {
  const row = parts.row.value;
  const registration = row?.aircraft ?? "";
  const permits = useComputed(() => model.permits.value.filter((permit) => permit.aircraft === registration));
  if (row === null) return null;
  const alerts = urgentFirst(parts.alerts.value);
  const [first, ...others] = alerts;
  const further = others.filter((alert) => alert.priority === "warning" && !isOver(alert)).slice(0, WARNINGS_SHOWN - 1);
  const more = others.length - further.length;
  const readiness = parts.readiness.value;
  const pressing = readiness?.pressure.below_limit === false && typeof row.differential_pressure_hpa === "number";
  return (
    <div class="row-side">
      {first !== undefined && <Told alert={first} more={more} />}
      {further.map((alert) => (
        <Further key={alert.alert_id} alert={alert} />
      ))}
      {pressing && first === undefined && (
        <p class="pressure">{t("apron.pressure", { hpa: row.differential_pressure_hpa ?? 0, trend: readiness.pressure.trend ?? "" })}</p>
      )}
      <RunLines runs={parts.procedures.value} />
      {permits.value.length > 0 && (
        <ul class="permits">
          {permits.value.map((permit) => (
            <Permit key={permit.permit_id} permit={permit} />
          ))}
        </ul>
      )}
      <DeafTo row={row} doors={parts.doors.value} />
    </div>
  );
}

function Asked({ parts }: { parts: Parts }) {
  const type = useComputed(() => model.types.value[parts.row.value?.type ?? ""]);
  return <Answers readiness={parts.readiness.value} type={type.value} doors={parts.doors.value} />;
}

const QUIET_WORDS = { "powered down": "sill.powered_down", away: "sill.away", "left on the broker": "apron.left" } as const;

export function Row({ registration }: { registration: string }) {
  const place = useRef<HTMLLIElement>(null);
  const near = useNear(place);
  const size = useSize(place);
  const height = useRef(0);
  const parts = useParts(registration);
  const rank = useComputed(() => {
    const row = parts.row.value;
    return row === null
      ? null
      : rankOf({ row, doors: parts.doors.value, readiness: parts.readiness.value, alerts: parts.alerts.value });
  });
  const row = parts.row.value;
  if (row === null || rank.value === null) {
    // It left while the order is held: whoever works below it finds their rows where they were.
    return (
      <li ref={place} class="row quiet" style={{ minHeight: `${height.current || HEIGHT_PX}px` }}>
        <p class="row-registration">{registration}</p>
        <p class="row-why">{t("apron.gone")}</p>
      </li>
    );
  }
  if (near.value && size.value !== null) height.current = size.value.height;
  const quiet = isQuiet(rank.value);
  const kept = height.current > 0 ? height.current : quiet ? HEIGHT_QUIET_PX : HEIGHT_PX;
  return (
    <li
      ref={place}
      class={quiet ? "row quiet" : `row ${rank.value.replaceAll(" ", "-")}`}
      style={near.value ? {} : { minHeight: `${kept}px` }}
    >
      <a class="row-name" href={`/aircraft/${registration}`}>
        <span class={row.stand === "" ? "row-stand none" : "row-stand"}>{row.stand === "" ? t("apron.stand.none") : row.stand}</span>
        <span class="row-registration">{registration}</span>
        {row.simulated && <Simulated />}
      </a>
      {near.value && <Place registration={registration} parts={parts} />}
      {near.value && quiet && rank.value in QUIET_WORDS && (
        <p class="row-why">{t(QUIET_WORDS[rank.value as keyof typeof QUIET_WORDS])}</p>
      )}
      {near.value && (!quiet || rank.value === "powered down") && <Line registration={registration} parts={parts} />}
      {near.value && !quiet && <Asked parts={parts} />}
      {near.value && !quiet && <Side parts={parts} />}
    </li>
  );
}
