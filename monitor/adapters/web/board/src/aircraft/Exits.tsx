// Which exits could be used now, for how many, against how many are aboard.

import { t } from "../words.ts";
import type { ExitsDocument } from "./documents.ts";
import { Fold, Section, TruthShape, TruthWord, Waiting } from "./parts.tsx";
import { Readings } from "./Readings.tsx";
import { usePart, type Scene } from "./scene.ts";

function Seats({ exits, seats }: { exits: ExitsDocument; seats: number | null }) {
  const most = Math.max(exits.seats_possible, exits.people ?? 0, seats ?? 0, 1);
  const part = (n: number): string => `${(100 * n) / most}%`;
  return (
    <figure class="craft-seats">
      <div class="craft-scale" aria-hidden="true">
        <div class="craft-scale-possible" style={{ width: part(exits.seats_possible) }} />
        <div class="craft-scale-known" style={{ width: part(exits.seats_usable) }} />
        {exits.people !== null && <div class="craft-scale-mark" style={{ left: part(exits.people) }} />}
      </div>
      <figcaption>
        <strong lang="en">{exits.sentence}</strong>{" "}
        <TruthWord
          truth={exits.short === null ? null : !exits.short}
          yes="aircraft.exits.enough"
          no="aircraft.exits.short"
          unknown="aircraft.exits.unknown"
        />
        {seats !== null && <span class="craft-quiet"> {t("aircraft.exits.seats", { seats })}</span>}
      </figcaption>
    </figure>
  );
}

export function Exits({ scene }: { scene: Scene }) {
  const exits = usePart(scene, (whole) => whole.exits);
  const seats = usePart(scene, (whole) => whole.seats);
  return (
    <Section id="exits" title={t("aircraft.exits")} scene={scene}>
      {exits === null ? (
        <Waiting scene={scene} />
      ) : (
        <>
          <Seats exits={exits} seats={seats} />
          <p>
            <TruthWord
              truth={exits.refuelling.met}
              yes="aircraft.exits.refuel.met"
              no="aircraft.exits.refuel.notmet"
              unknown="aircraft.exits.refuel.unknown"
            />{" "}
            <span class="craft-quiet">
              {t(exits.refuelling.both_halves ? "aircraft.exits.policy.halves" : "aircraft.exits.policy", {
                n: exits.refuelling.exits_min,
              })}
            </span>
          </p>
          <ul class="craft-exits">
            {Object.entries(exits.doors).map(([door, exit]) => (
              <li key={door} data-truth={String(exit.usable)}>
                <Fold
                  summary={
                    <>
                      <span class="craft-answer-name">{door}</span>
                      <span class="craft-verdict">
                        <TruthShape truth={exit.usable} />{" "}
                        {t(
                          exit.usable === null
                            ? "aircraft.exit.unknown"
                            : exit.usable
                              ? "aircraft.exit.usable"
                              : "aircraft.exit.unusable",
                        )}
                      </span>
                      <span lang="en" class="craft-answer-why">
                        {[
                          exit.usable === true && exit.by !== "" ? t("aircraft.exit.by", { by: exit.by }) : "",
                          ...exit.reasons,
                          ...exit.notes,
                        ]
                          .filter((each) => each !== "")
                          .join("; ")}
                      </span>
                    </>
                  }
                >
                  {() => <Readings scene={scene} paths={exit.evidence} door={door} />}
                </Fold>
              </li>
            ))}
          </ul>
        </>
      )}
    </Section>
  );
}
