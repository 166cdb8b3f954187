// What speaks against opening, leaving, boarding and refuelling, and what cannot be seen meanwhile.

import type { AircraftRow, AirframeType, DoorDocument, ReadinessDocument, ShortAnswer } from "../wire.ts";
import { t, tCount } from "../words.ts";
import { cutReasons, groupOpening } from "./answers.ts";

function Verdict({ verdict, reasons }: Pick<ShortAnswer, "verdict" | "reasons">) {
  const { shown, more } = cutReasons(reasons);
  return (
    <>
      {t(`apron.verdict.${verdict}`)}
      {shown.length === 0 && verdict !== "nothing seen against it" && `: ${t("apron.reasons.own")}`}
      {shown.length > 0 && (
        <>
          : <span lang="en">{shown.join("; ")}</span>
          {more > 0 && ` ${t("apron.more.reasons", { n: more })}`}
        </>
      )}
    </>
  );
}

const kindOf = (verdict: ShortAnswer["verdict"]): string =>
  verdict === "stopped by" ? "asked stopped" : verdict === "cannot tell" ? "asked untold" : "asked unopposed";

interface Asked {
  readiness: ReadinessDocument | null;
  type: AirframeType | undefined;
  doors: ReadonlyMap<string, DoorDocument>;
}

export function Answers({ readiness, type, doors }: Asked) {
  if (readiness === null) return <p class="answers-none">{t("apron.answers.none")}</p>;
  const opening = groupOpening(readiness, type, doors);
  return (
    <dl class="answers">
      <div class="opening">
        <dt>{t("apron.answer.open")}</dt>
        <dd>
          {opening.length === 0 && <p class="asked unopposed">{t("apron.answer.allopen")}</p>}
          {opening.map((group) => (
            <p key={`${group.verdict}${group.doors[0] ?? ""}`} class={kindOf(group.verdict)}>
              <span>
                <b>{group.doors.join(" ")}</b> <Verdict verdict={group.verdict} reasons={group.reasons} />
              </span>
            </p>
          ))}
        </dd>
      </div>
      {(["leave", "board", "refuel"] as const).map((each) => (
        <div key={each}>
          <dt>{t(`apron.answer.${each}`)}</dt>
          <dd>
            <p class={kindOf(readiness[each].verdict)}>
              <span>
                <Verdict {...readiness[each]} />
              </span>
            </p>
          </dd>
        </div>
      ))}
    </dl>
  );
}

interface Deaf {
  code: string;
  why: string;
  where: string[];
}

/** Gather what cannot be seen on an aircraft, a hazard and its reason once. */
export function gatherDeaf(row: AircraftRow, doors: ReadonlyMap<string, DoorDocument>): Deaf[] {
  const found = new Map<string, Deaf>();
  const add = (where: string, list: readonly { code: string; why: string }[]): void => {
    for (const { code, why } of list) {
      const key = `${code}|${why}`;
      const deaf = found.get(key) ?? { code, why, where: [] };
      deaf.where.push(where);
      found.set(key, deaf);
    }
  };
  add("", row.deaf_to ?? []);
  for (const [door, document] of doors) add(door, document.deaf_to);
  return [...found.values()].sort((a, b) => a.code.localeCompare(b.code));
}

export function DeafTo({ row, doors }: { row: AircraftRow; doors: ReadonlyMap<string, DoorDocument> }) {
  const deaf = gatherDeaf(row, doors);
  if (deaf.length === 0) return null;
  const hazards = new Set(deaf.map(({ code }) => code)).size;
  return (
    <details class="deaf">
      <summary>{tCount("apron.deaf", hazards)}</summary>
      <ul>
        {deaf.map(({ code, why, where }) => (
          <li key={`${code}|${why}`}>
            <b>{code}</b> {where.filter((each) => each !== "").join(", ")} <span lang="en">({why})</span>
          </li>
        ))}
      </ul>
    </details>
  );
}
