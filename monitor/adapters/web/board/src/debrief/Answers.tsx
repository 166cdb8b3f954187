// What spoke against opening, leaving, boarding and refuelling over the time of a debrief: a bar for each question.

import { useRef } from "preact/hooks";
import { textWidth } from "../sill/measure.ts";
import { duration } from "../times.ts";
import { t, tAny } from "../words.ts";
import { Table } from "../health/parts.tsx";
import { NOT_ON_RECORD, type DebriefDocument, type ReadinessLane } from "./documents.ts";
import { Part, useWidth, When } from "./parts.tsx";
import { listAnswers, sumAnswers, windowOf, type AnswerBand } from "./picture.ts";
import type { Window } from "../aircraft/bands.ts";

const TEXT_SIZE = 12;

const UNTOLD = { name: "lane-torn", y: 15.5, height: 12 };

/** The heavier, the more speaks against it; what cannot be told is hollow and torn. */
const TEXTURES: Readonly<Record<string, { name: string; y: number; height: number }>> = {
  "nothing seen against it": { name: "lane-thin", y: 20, height: 3 },
  "stopped by": { name: "lane-solid", y: 15, height: 13 },
  "cannot tell": UNTOLD,
  [NOT_ON_RECORD]: { name: "lane-absent", y: 21, height: 1 },
};

const verdictWord = (verdict: string): string =>
  verdict === NOT_ON_RECORD ? t("aircraft.line.notrecorded") : tAny(`apron.verdict.${verdict}`, verdict);

/** "Open R2", "Leave": a question in words. */
function questionWord({ question, door }: Pick<ReadinessLane, "question" | "door">): string {
  const word = tAny(`apron.answer.${question}`, question);
  return door === null ? word : `${word} ${door}`;
}

function Bar({ bands, window, width }: { bands: readonly AnswerBand[]; window: Window; width: number }) {
  const place = (at: number): number => (100 * (at - window.since)) / (window.until - window.since);
  return (
    <svg class="lane-drawing" width="100%" height="31" aria-hidden="true">
      {bands.map((band) => {
        const { name, y, height } = TEXTURES[band.verdict] ?? UNTOLD;
        const from = place(band.from);
        const part = place(band.to) - from;
        const word = verdictWord(band.verdict);
        return (
          <g key={band.from}>
            <rect class={name} x={`${from}%`} width={`${part}%`} y={y} height={height} />
            {(part / 100) * width > textWidth(word, TEXT_SIZE, false) + 6 && (
              <text class="lane-word" x={`${from}%`} dx={3} y={11} font-size={TEXT_SIZE}>
                {word}
              </text>
            )}
          </g>
        );
      })}
    </svg>
  );
}

function Spans({ lane }: { lane: ReadinessLane }) {
  return (
    <>
      {lane.spans.map((span) => (
        <tr key={span.from}>
          <th scope="row">
            {lane.aircraft} {questionWord(lane)}
          </th>
          <td>
            <When at={span.from} />
          </td>
          <td>{duration(Date.parse(span.to) - Date.parse(span.from))}</td>
          <td>{verdictWord(span.verdict)}</td>
          <td class="foreign-cell" lang="en">
            {span.stopped_by.join("; ")}
          </td>
        </tr>
      ))}
    </>
  );
}

export function Answers({ document }: { document: DebriefDocument }) {
  const place = useRef<HTMLDivElement>(null);
  const width = Math.max(useWidth(place) - 130, 120);
  const window = windowOf(document);
  if (document.readiness.length === 0) {
    return (
      <Part id="answers" title={t("debrief.answers")}>
        <p class="craft-quiet">{t("debrief.answers.none")}</p>
      </Part>
    );
  }
  return (
    <Part id="answers" title={t("debrief.answers")}>
      <div ref={place} class="debrief-answers">
        {document.readiness.map((lane) => {
          const bands = listAnswers(lane, window);
          const sums = sumAnswers(bands).map(([verdict, ms]) => `${verdictWord(verdict)} ${duration(ms)}`);
          return (
            <div key={`${lane.aircraft}${lane.question}${lane.door ?? ""}`} class="debrief-answer">
              <span class="debrief-question">
                {document.of.aircraft.length > 1 ? `${lane.aircraft} ` : ""}
                {questionWord(lane)}
              </span>
              <Bar bands={bands} window={window} width={width} />
              <span class="debrief-sums">{sums.join(", ")}</span>
            </div>
          );
        })}
      </div>
      <details class="craft-fold debrief-table">
        <summary>
          <span class="craft-fold-words">{t("aircraft.line.astable")}</span>
        </summary>
        <Table
          caption={t("debrief.answers.caption")}
          heads={[t("debrief.question"), t("aircraft.table.from"), t("aircraft.table.for"), t("debrief.verdict"), t("debrief.why")]}
        >
          {document.readiness.map((lane) => (
            <Spans key={`${lane.aircraft}${lane.question}${lane.door ?? ""}`} lane={lane} />
          ))}
        </Table>
      </details>
    </Part>
  );
}
