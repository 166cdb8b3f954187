// The readings that an answer rests on: value, quality, whether it counts, age.

import { model } from "../live/model.ts";
import { t, tAny } from "../words.ts";
import type { WholeAircraft } from "./documents.ts";
import { Age } from "./parts.tsx";
import { usePart, type Scene } from "./scene.ts";
import { bareName, pathWord, valueWord } from "./values.ts";

interface Shown {
  path: string;
  value: unknown;
  known: boolean;
  why: string;
  quality: string;
  at: string | null;
}

/** What is known of one signal by its path: "door/L1/closed", "airframe/beacon", "stand/S11/wind_kt". */
function look(document: WholeAircraft, path: string): Shown {
  const [place, stand, weather] = path.split("/");
  if (place === "stand" && stand !== undefined && weather !== undefined) {
    const found = model.stands.value.get(stand);
    const value = found?.[weather as "wind_kt"] ?? null;
    const why = found?.why[weather] ?? t("aircraft.reading.never");
    return { path, value, known: value !== null, why, quality: "", at: found?.received_at ?? null };
  }
  const found = document.signals[path];
  if (found === undefined)
    return { path, value: null, known: false, why: t("aircraft.reading.never"), quality: "", at: null };
  return {
    path,
    value: found.value,
    known: found.known,
    why: found.why ?? "",
    quality: found.quality,
    at: found.received_at,
  };
}

/** One reading as cells of a row: what does not count is struck and says why. */
export function ReadingCells({ shown }: { shown: Omit<Shown, "path"> & { signal: string } }) {
  const value = valueWord(shown.signal, shown.value);
  return (
    <>
      <td class={shown.known ? "craft-value" : "craft-value craft-unknown"}>{shown.known ? value : <s>{value}</s>}</td>
      <td>
        {shown.known ? (
          t("aircraft.reading.known")
        ) : (
          <strong class="craft-why">
            {t("aircraft.reading.unknown", { why: shown.why || shown.quality || t("aircraft.reading.never") })}
          </strong>
        )}
      </td>
      <td>{shown.quality === "" ? "–" : tAny(`quality.${shown.quality}`, shown.quality)}</td>
      <td class="craft-number">
        <Age at={shown.at} />
      </td>
    </>
  );
}

export function ReadingsHead() {
  return (
    <thead>
      <tr>
        <th scope="col">{t("aircraft.reading.signal")}</th>
        <th scope="col">{t("aircraft.reading.value")}</th>
        <th scope="col">{t("aircraft.reading.counts")}</th>
        <th scope="col">{t("aircraft.reading.quality")}</th>
        <th scope="col">{t("aircraft.reading.age")}</th>
      </tr>
    </thead>
  );
}

export function Readings({ scene, paths, door }: { scene: Scene; paths: readonly string[]; door: string | null }) {
  const document = usePart(scene, (whole) => whole);
  if (document === null) return null;
  if (paths.length === 0) return <p class="craft-quiet">{t("aircraft.reading.none")}</p>;
  return (
    <div class="craft-scroll" tabIndex={0} role="group" aria-label={t("aircraft.reading.table")}>
      <table class="craft-table">
        <ReadingsHead />
        <tbody>
          {paths.map((path) => {
            const { path: _, ...shown } = look(document, path);
            return (
              <tr key={path}>
                <th scope="row">{pathWord(path, door)}</th>
                <ReadingCells shown={{ ...shown, signal: bareName(path) }} />
              </tr>
            );
          })}
        </tbody>
      </table>
    </div>
  );
}
