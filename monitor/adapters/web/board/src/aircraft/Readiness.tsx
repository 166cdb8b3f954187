// Whether anything speaks against leaving, boarding, refuelling or opening a door: verdict, reasons, evidence.

import type { Answer, Condition } from "../wire.ts";
import { t, tAny } from "../words.ts";
import { Fold, Section, TruthShape, TruthWord, Waiting, type Truth } from "./parts.tsx";
import { Readings } from "./Readings.tsx";
import { chooseDoor, chosenDoor, usePart, type Scene } from "./scene.ts";

const truthOf = (answer: Answer): Truth =>
  answer.verdict === "cannot tell" ? null : answer.verdict === "nothing seen against it";

const RANK = new Map<Truth, number>([
  [false, 0],
  [null, 1],
  [true, 2],
]);

function ConditionItem({ scene, condition, door }: { scene: Scene; condition: Condition; door: string | null }) {
  return (
    <li>
      <Fold
        summary={
          <>
            <TruthWord truth={condition.met} yes="aircraft.met" no="aircraft.notmet" unknown="aircraft.metunknown" />
            <span lang="en">
              {condition.text}
              {condition.why !== "" && <em> ({condition.why})</em>}
            </span>
          </>
        }
      >
        {() => <Readings scene={scene} paths={condition.evidence} door={door} />}
      </Fold>
    </li>
  );
}

function Conditions({ scene, answer, door }: { scene: Scene; answer: Answer; door: string | null }) {
  const conditions = [...answer.conditions].sort((a, b) => (RANK.get(a.met) ?? 1) - (RANK.get(b.met) ?? 1));
  return (
    <>
      <ul class="craft-conditions">
        {conditions.map((condition) => (
          <ConditionItem key={condition.name} scene={scene} condition={condition} door={door} />
        ))}
      </ul>
      {answer.notes.length > 0 && (
        <p lang="en" class="craft-quiet">
          {answer.notes.join("; ")}.
        </p>
      )}
      {answer.deaf_to.length > 0 && (
        <p class="craft-quiet">{t("aircraft.answer.deaf", { codes: answer.deaf_to.join(", ") })}</p>
      )}
    </>
  );
}

/** What comes after the verdict's own words in the service's sentence. */
function reasonsOf(answer: Answer): string {
  const at = answer.sentence.indexOf(answer.verdict);
  return at < 0 ? answer.sentence : answer.sentence.slice(at + answer.verdict.length).replace(/^[:.\s]+/, "");
}

function AnswerItem({
  scene,
  name,
  answer,
  door,
}: {
  scene: Scene;
  name: string;
  answer: Answer;
  door: string | null;
}) {
  const truth = truthOf(answer);
  return (
    <li class="craft-answer" data-truth={String(truth)}>
      <Fold
        summary={
          <>
            <span class="craft-answer-name">{name}</span>
            <span class="craft-verdict">
              <TruthShape truth={truth} />{" "}
              {t(truth === false ? "aircraft.verdict.stopped" : `verdict.${answer.verdict as "cannot tell"}`)}
            </span>
            <span class="craft-answer-why" lang="en">
              {reasonsOf(answer)}
            </span>
          </>
        }
      >
        {() => <Conditions scene={scene} answer={answer} door={door} />}
      </Fold>
    </li>
  );
}

/** Doors whose answers say the same are told together: sixteen alike hide the one that differs. */
function groupDoors(doors: Readonly<Record<string, Answer>>): { names: string[]; answer: Answer }[] {
  const groups = new Map<string, { names: string[]; answer: Answer }>();
  for (const [name, answer] of Object.entries(doors)) {
    const key = `${answer.verdict}|${reasonsOf(answer).replaceAll(name, "*")}`;
    const group = groups.get(key);
    if (group === undefined) groups.set(key, { names: [name], answer });
    else group.names.push(name);
  }
  return [...groups.values()];
}

function Doors({ scene, doors }: { scene: Scene; doors: Readonly<Record<string, Answer>> }) {
  const chosen = chosenDoor.value;
  const own = chosen === null ? undefined : doors[chosen];
  return (
    <>
      {chosen !== null && own !== undefined && (
        <ul class="craft-answers">
          <AnswerItem
            key={chosen}
            scene={scene}
            name={t("aircraft.answer.open", { door: chosen })}
            answer={own}
            door={chosen}
          />
        </ul>
      )}
      <ul class="craft-doorgroups">
        {groupDoors(doors).map(({ names, answer }) => {
          const truth = truthOf(answer);
          return (
            <li key={names[0]}>
              <p class="craft-doornames">
                {names.map((name) => (
                  <button
                    key={name}
                    type="button"
                    class="craft-doorpick"
                    aria-pressed={name === chosen}
                    onClick={() => chooseDoor(name === chosen ? null : name)}
                  >
                    {name}
                  </button>
                ))}
              </p>
              <p>
                <span class="craft-verdict">
                  <TruthShape truth={truth} />{" "}
                  {t(truth === false ? "aircraft.verdict.stopped" : `verdict.${answer.verdict as "cannot tell"}`)}
                </span>{" "}
                <span lang="en">
                  {names.length === 1
                    ? reasonsOf(answer)
                    : reasonsOf(answer).replaceAll(names[0] ?? "", t("aircraft.answer.it"))}
                </span>
              </p>
            </li>
          );
        })}
      </ul>
    </>
  );
}

export function Readiness({ scene }: { scene: Scene }) {
  const readiness = usePart(scene, (whole) => whole.readiness);
  return (
    <Section id="readiness" title={t("aircraft.readiness")} scene={scene}>
      {readiness === null ? (
        <Waiting scene={scene} />
      ) : (
        <>
          <ul class="craft-answers">
            {(["leave", "board", "refuel"] as const).map((question) => (
              <AnswerItem
                key={question}
                scene={scene}
                name={tAny(`aircraft.answer.${question}`, question)}
                answer={readiness[question]}
                door={null}
              />
            ))}
          </ul>
          <h3>{t("aircraft.answer.doors")}</h3>
          <p class="craft-quiet">{t("aircraft.answer.pick")}</p>
          <Doors scene={scene} doors={readiness.doors} />
        </>
      )}
    </Section>
  );
}
