// The wind at the stand against what each door's leaf may stand, and the load that it puts on an open one.

import { model } from "../live/model.ts";
import { t } from "../words.ts";
import type { WindDocument, WindDoor } from "./documents.ts";
import { Age, Section, Waiting } from "./parts.tsx";
import { usePart, type Scene } from "./scene.ts";

/** Doors with the same limits and load stand in one row. */
function groupDoors(wind: WindDocument): { doors: string[]; limits: WindDoor }[] {
  const groups = new Map<string, { doors: string[]; limits: WindDoor }>();
  for (const [door, limits] of Object.entries(wind.doors)) {
    const key = JSON.stringify(limits);
    const group = groups.get(key);
    if (group === undefined) groups.set(key, { doors: [door], limits });
    else group.doors.push(door);
  }
  return [...groups.values()];
}

const number = (value: number | null, unit: string): string =>
  value === null ? t("aircraft.value.nothing") : `${Math.round(value * 10) / 10} ${unit}`;

function against(wind: number | null, limits: WindDoor): string {
  if (wind === null) return t("aircraft.wind.cannot");
  const { limit_moved_kt: moved, limit_held_kt: held } = limits;
  if (held !== null && wind > held) return t("aircraft.wind.overheld");
  if (moved !== null && wind > moved) return t("aircraft.wind.overmoved");
  return t("aircraft.wind.within");
}

function Scale({ wind, limits, top }: { wind: number | null; limits: WindDoor; top: number }) {
  const part = (kt: number): string => `${Math.min(100, (100 * kt) / top)}%`;
  return (
    <div class="craft-scale" aria-hidden="true">
      {wind === null ? (
        <div class="craft-scale-torn" />
      ) : (
        <div class="craft-scale-known" style={{ width: part(wind) }} />
      )}
      {limits.limit_moved_kt !== null && (
        <div class="craft-scale-mark craft-scale-moved" style={{ left: part(limits.limit_moved_kt) }} />
      )}
      {limits.limit_held_kt !== null && <div class="craft-scale-mark" style={{ left: part(limits.limit_held_kt) }} />}
    </div>
  );
}

function Stand({ stand }: { stand: string }) {
  const weather = model.stands.value.get(stand);
  if (weather === undefined) return null;
  const one = (signal: "wind_kt" | "gust_kt" | "wind_from_deg", unit: string): string => {
    const value = weather[signal];
    return value === null
      ? t("aircraft.wind.not", { why: weather.why[signal] ?? t("aircraft.reading.never") })
      : `${Math.round(value * 10) / 10}${unit}`;
  };
  return (
    <dl class="craft-facts">
      <div>
        <dt>{t("aircraft.wind.mean")}</dt>
        <dd>{one("wind_kt", " kt")}</dd>
      </div>
      <div>
        <dt>{t("aircraft.wind.gust")}</dt>
        <dd>{one("gust_kt", " kt")}</dd>
      </div>
      <div>
        <dt>{t("aircraft.wind.from")}</dt>
        <dd>{one("wind_from_deg", "°")}</dd>
      </div>
      <div>
        <dt>{t("aircraft.age")}</dt>
        <dd>
          <Age at={weather.received_at} />
        </dd>
      </div>
    </dl>
  );
}

export function Wind({ scene }: { scene: Scene }) {
  const wind = usePart(scene, (whole) => whole.wind);
  const stand = usePart(scene, (whole) => whole.stand) ?? "";
  const groups = wind === null ? [] : groupDoors(wind);
  const top =
    1.15 *
    Math.max(
      1,
      wind?.wind_kt ?? 0,
      ...groups.flatMap(({ limits }) => [limits.limit_held_kt ?? 0, limits.limit_moved_kt ?? 0]),
    );
  return (
    <Section id="wind" title={t("aircraft.wind")} scene={scene}>
      {wind === null ? (
        <Waiting scene={scene} />
      ) : (
        <>
          <p>
            <strong class={wind.wind_kt === null ? "craft-unknown" : ""}>
              {wind.wind_kt === null
                ? t("aircraft.wind.unwatched")
                : t("aircraft.wind.now", {
                    wind: Math.round(wind.wind_kt * 10) / 10,
                    pressure: wind.dynamic_pressure_pa ?? "–",
                  })}
            </strong>
          </p>
          <Stand stand={stand} />
          {groups.length === 0 ? (
            <p class="craft-quiet">{t("aircraft.wind.nolimits")}</p>
          ) : (
            <ul class="craft-winds">
              {groups.map(({ doors, limits }) => (
                <li key={doors.join()}>
                  <p>
                    <strong>{doors.join(" ")}</strong> {against(wind.wind_kt, limits)}
                  </p>
                  <Scale wind={wind.wind_kt} limits={limits} top={top} />
                  <p class="craft-quiet">
                    {t("aircraft.wind.limits", {
                      moved: number(limits.limit_moved_kt, "kt"),
                      held: number(limits.limit_held_kt, "kt"),
                      load: number(limits.load_n, "N"),
                      loadmoved: number(limits.load_at_moved_limit_n, "N"),
                      loadheld: number(limits.load_at_held_limit_n, "N"),
                    })}
                  </p>
                </li>
              ))}
            </ul>
          )}
        </>
      )}
    </Section>
  );
}
