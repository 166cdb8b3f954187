// Which aircraft this is, how well it is heard, its sill line, and what it needs somebody for.

import { AlertItem } from "../alerts/AlertItem.tsx";
import { compareAlerts } from "../alerts/order.ts";
import { Line } from "../apron/Line.tsx";
import { Age } from "../apron/Parts.tsx";
import { useParts } from "../apron/stable.ts";
import { model } from "../live/model.ts";
import { Simulated } from "../simulated/Simulated.tsx";
import type { AircraftRow } from "../wire.ts";
import { t, tAny, tCount } from "../words.ts";
import { presenceWord } from "./Declare.tsx";
import { usePart, type Scene } from "./scene.ts";

function Facts({ row, scene }: { row: AircraftRow; scene: Scene }) {
  const seats = usePart(scene, (whole) => whole.seats);
  const description = usePart(scene, (whole) => whole.type_description);
  const people = row.passengers_aboard;
  const engines = row.engines_running;
  const held = usePart(scene, (whole) => whole.held_readings.count) ?? 0;
  return (
    <dl class="craft-facts">
      <div>
        <dt>{t("aircraft.type")}</dt>
        {row.type === null || row.type === "" ? (
          <dd class="craft-unknown">{t("aircraft.type.unknown")}</dd>
        ) : (
          <dd lang="en">{description === null ? row.type : `${row.type}, ${description}`}</dd>
        )}
      </div>
      <div>
        <dt>{t("aircraft.people")}</dt>
        <dd class={typeof people === "number" ? "" : "craft-unknown"}>
          {typeof people !== "number"
            ? t("aircraft.notknown")
            : seats === null
              ? people
              : t("aircraft.people.of", { people, seats })}
        </dd>
      </div>
      <div>
        <dt>{t("aircraft.presence")}</dt>
        <dd>{presenceWord(row.presence)}</dd>
      </div>
      <div>
        <dt>{t("aircraft.feed")}</dt>
        <dd class={row.feed === "live" ? "" : "craft-unknown"}>{tAny(`feed.${row.feed}`, row.feed)}</dd>
      </div>
      <div>
        <dt>{t("aircraft.age")}</dt>
        <dd>
          <Age registration={row.aircraft} />
        </dd>
      </div>
      <div>
        <dt>{t("aircraft.engines")}</dt>
        <dd class={engines === null || engines === undefined ? "craft-unknown" : ""}>
          {engines === null || engines === undefined
            ? t("aircraft.notknown")
            : engines.length === 0
              ? t("aircraft.engines.none")
              : tCount("aircraft.engines.running", engines.length, { which: engines.join(", ") })}
        </dd>
      </div>
      <div>
        <dt>{t("aircraft.refuelling")}</dt>
        <dd class={typeof row.refuelling === "boolean" ? "" : "craft-unknown"}>
          {typeof row.refuelling !== "boolean"
            ? t("aircraft.notknown")
            : t(row.refuelling ? "aircraft.value.true" : "aircraft.value.false")}
        </dd>
      </div>
      {held > 0 && (
        <div>
          <dt>{t("aircraft.held")}</dt>
          <dd class="craft-unknown">{tCount("aircraft.held.readings", held)}</dd>
        </div>
      )}
    </dl>
  );
}

function Alerts({ registration }: { registration: string }) {
  const alerts = [...(model.view(registration).value?.alerts ?? [])].sort(compareAlerts);
  return (
    <section id="alerts" class="craft-section craft-alerts" aria-labelledby="alerts-title">
      <h2 id="alerts-title">
        {t("aircraft.alerts")} <span class="count">{alerts.length}</span>
      </h2>
      {alerts.length === 0 ? (
        <p class="craft-quiet">{t("aircraft.alerts.none")}</p>
      ) : (
        <ul>
          {alerts.map((alert) => (
            <AlertItem key={`${alert.door}|${alert.code}`} alert={alert} />
          ))}
        </ul>
      )}
    </section>
  );
}

export function Head({ scene }: { scene: Scene }) {
  const view = model.view(scene.registration).value;
  const parts = useParts(scene.registration);
  if (view === null) {
    return (
      <header class="craft-head">
        <h2 class="craft-name">{scene.registration}</h2>
        <p class="craft-refused">{model.health.value === null ? t("waiting") : t("aircraft.gone")}</p>
      </header>
    );
  }
  const { row } = view;
  return (
    <>
      <header class="craft-head">
        <h2 class="craft-name">
          {row.stand === "" ? (
            <span class="craft-nostand">{t("aircraft.nostand")},</span>
          ) : (
            <span class="craft-stand">{row.stand}</span>
          )}{" "}
          <span class="craft-registration">{row.aircraft}</span>
          {row.simulated && <Simulated />}
        </h2>
        <Facts row={row} scene={scene} />
        <Line registration={scene.registration} parts={parts} />
      </header>
      <Alerts registration={scene.registration} />
    </>
  );
}
