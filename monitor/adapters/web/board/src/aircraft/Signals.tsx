// Every signal that was ever received, by door: value, quality, whether it counts and why not, age.

import { useSignal } from "@preact/signals";
import { t } from "../words.ts";
import type { SignalDocument } from "./documents.ts";
import { DoorField, Section, Waiting } from "./parts.tsx";
import { ReadingCells, ReadingsHead } from "./Readings.tsx";
import { chooseDoor, chosenDoor, useDoors, usePart, type Scene } from "./scene.ts";
import { signalWord } from "./values.ts";

const WHOLE = "-";

/** The signals of one place, those that do not count first. */
function listPlace(signals: Readonly<Record<string, SignalDocument>>, place: string): [string, SignalDocument][] {
  const prefix = place === WHOLE ? "airframe/" : `door/${place}/`;
  return Object.entries(signals)
    .filter(([path]) => path.startsWith(prefix))
    .map(([path, signal]): [string, SignalDocument] => [path.slice(prefix.length), signal])
    .sort(([, a], [, b]) => Number(a.known) - Number(b.known));
}

export function Signals({ scene }: { scene: Scene }) {
  const signals = usePart(scene, (whole) => whole.signals);
  const doors = useDoors(scene);
  const wanting = useSignal(false);
  const place = chosenDoor.value ?? WHOLE;
  const shown =
    signals === null
      ? []
      : wanting.value
        ? [WHOLE, ...doors]
            .map((each) => [each, listPlace(signals, each).filter(([, signal]) => !signal.known)] as const)
            .filter(([, list]) => list.length > 0)
        : [[place, listPlace(signals, place)] as const];
  return (
    <Section id="signals" title={t("aircraft.signals")} scene={scene}>
      {signals === null ? (
        <Waiting scene={scene} />
      ) : (
        <>
          <div class="craft-form">
            <DoorField
              id="signals-door"
              doors={doors}
              door={wanting.value ? "" : (chosenDoor.value ?? "")}
              choose={(door) => chooseDoor(door || null)}
              none={t("aircraft.signals.whole")}
            />
            <label class="craft-check">
              <input
                type="checkbox"
                checked={wanting.value}
                onChange={(event) => (wanting.value = event.currentTarget.checked)}
              />
              {t("aircraft.signals.wanting")}
            </label>
          </div>
          {shown.length === 0 && <p class="craft-quiet">{t("aircraft.signals.nonewanting")}</p>}
          {shown.map(([each, list]) => (
            <div
              key={each}
              class="craft-scroll"
              tabIndex={0}
              role="region"
              aria-label={t("aircraft.signals.of", { place: each === WHOLE ? t("aircraft.signals.whole") : each })}
            >
              <table class="craft-table">
                <caption>
                  {t("aircraft.signals.of", { place: each === WHOLE ? t("aircraft.signals.whole") : each })}
                </caption>
                <ReadingsHead />
                <tbody>
                  {list.map(([name, signal]) => (
                    <tr key={name}>
                      <th scope="row" title={name}>
                        {signalWord(name)}
                      </th>
                      <ReadingCells
                        shown={{
                          signal: name,
                          value: signal.value,
                          known: signal.known,
                          why: signal.why ?? "",
                          quality: signal.quality,
                          at: signal.received_at,
                        }}
                      />
                    </tr>
                  ))}
                </tbody>
              </table>
            </div>
          ))}
        </>
      )}
    </Section>
  );
}
