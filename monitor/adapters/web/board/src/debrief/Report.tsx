// A debrief whole: what it is of, what it came to, its picture, its procedures, its alerts, its answers, and how to keep it.

import { useEffect } from "preact/hooks";
import { Foreign } from "../health/parts.tsx";
import { calendarDay } from "../times.ts";
import { Boundary } from "../parts/Boundary.tsx";
import { orderRuns } from "../procedures/run.ts";
import { Run } from "../procedures/Run.tsx";
import { recordSimulated } from "../simulated/in_view.ts";
import { Simulated } from "../simulated/Simulated.tsx";
import { language, t, tCount } from "../words.ts";
import { putNumber } from "../health/figures.ts";
import { FORMATS, questionOf, type Asked } from "./address.ts";
import { Answers } from "./Answers.tsx";
import type { DebriefDocument, Summary } from "./documents.ts";
import { English, Part, Times, When } from "./parts.tsx";
import { isSimulated } from "./picture.ts";
import { Picture } from "./Picture.tsx";
import { Actions, Alerts, Trends, Unseen } from "./Tables.tsx";
import { knownZone, offsetsOf, seconds } from "./when.ts";

/** The zone with its offset, or with both where the clocks were changed in between. */
function sayZone(document: DebriefDocument): string {
  const zone = knownZone(document.of.zone);
  const offsets = offsetsOf(Date.parse(document.of.since), Date.parse(document.of.until), zone);
  if (zone === "UTC") return t("debrief.zone.utc");
  return offsets.length === 1
    ? t("debrief.zone", { zone, offset: offsets[0] ?? "" })
    : t("debrief.zone.changed", { zone, before: offsets[0] ?? "", after: offsets[1] ?? "" });
}

function Gaps({ document }: { document: DebriefDocument }) {
  const { gaps } = document.of;
  if (gaps.length === 0) return <p class="craft-quiet">{t("debrief.gaps.none")}</p>;
  return (
    <div class="debrief-gaps">
      <p>
        <b>{tCount("debrief.gaps", gaps.length)}</b>
      </p>
      <ul>
        {gaps.map((gap) => (
          <li key={`${gap.from}${gap.why}`}>
            <When at={gap.from} /> {t("debrief.to")} <When at={gap.to} />: <English text={gap.why} />
          </li>
        ))}
      </ul>
    </div>
  );
}

const number = (value: number): string => putNumber(value, language.value, 0) ?? "";

/** A summary's figures as pairs of words; what does not apply is left out. */
export function listFigures(summary: Summary): [string, string][] {
  const { warning = 0, caution = 0, advisory = 0 } = summary.alerts;
  const response = summary.response_s;
  const asked = summary.within_time + summary.late;
  return [
    [t("debrief.sum.moves"), t("debrief.sum.moves.value", { openings: number(summary.openings), closings: number(summary.closings) })],
    [t("debrief.sum.alerts"), t("debrief.sum.alerts.value", { warning: number(warning), caution: number(caution), advisory: number(advisory) })],
    [t("debrief.sum.acknowledged"), number(summary.acknowledged)],
    [
      t("debrief.sum.response"),
      response === null
        ? t(asked === 0 ? "debrief.sum.response.none" : "debrief.sum.response.nobody")
        : t("debrief.sum.response.value", { median: seconds(response.median) ?? "", worst: seconds(response.worst) ?? "" }),
    ],
    [t("debrief.sum.intime"), asked === 0 ? t("debrief.sum.intime.none") : t("debrief.sum.intime.value", { n: number(summary.within_time), of: number(asked) })],
    [t("debrief.sum.procedures"), number(summary.procedures)],
    [t("debrief.sum.score"), summary.score_percent === null ? t("debrief.sum.score.none") : `${Math.round(summary.score_percent)} %`],
  ];
}

export function Figures({ summary }: { summary: Summary }) {
  return (
    <dl class="debrief-figures">
      {listFigures(summary).map(([name, value]) => (
        <div key={name}>
          <dt>{name}</dt>
          <dd>{value}</dd>
        </div>
      ))}
    </dl>
  );
}

export function Files({ asked, zone, formats }: { asked: Asked; zone: string; formats: readonly (typeof FORMATS)[number][] }) {
  return (
    <nav class="debrief-files" aria-label={t("debrief.files")}>
      <span>{t("debrief.files")}</span>
      {formats.map((format) => (
        <a key={format} href={questionOf(asked, zone, format)} download>
          {t(`debrief.file.${format}`)}
        </a>
      ))}
      <button type="button" onClick={() => print()}>
        {t("debrief.print")}
      </button>
    </nav>
  );
}

function Head({ document }: { document: DebriefDocument }) {
  const { of } = document;
  const { drill } = of;
  return (
    <>
      <h2>
        {t("debrief.of")} <Foreign text={of.title} />
        {isSimulated(document) && <Simulated />}
      </h2>
      <p class="debrief-period">
        <When at={of.since} /> {t("debrief.to")} <When at={of.until} />, {sayZone(document)}.{" "}
        {of.aircraft.length > 0 && t("debrief.aircraft", { aircraft: of.aircraft.join(" ") })}
        {of.doors !== null && of.doors.length > 0 ? `, ${t("debrief.doors", { doors: of.doors.join(" ") })}` : ""}
        {of.stand !== null ? `, ${t("debrief.stand", { stand: of.stand })}` : ""}
      </p>
      {drill !== null && (
        <p class="debrief-drill">
          {t("debrief.wasdrill")} {drill.by ? <>({<Foreign text={drill.by} />})</> : null}
          {drill.trainee ? (
            <>
              , {t("drill.trainee")}: <Foreign text={drill.trainee} />
            </>
          ) : null}
          {drill.ended_at === null && `, ${t("debrief.running")}`}
        </p>
      )}
      {document.cautions.length > 0 && (
        <ul class="debrief-cautions" lang="en">
          {document.cautions.map((each) => (
            <li key={each}>{each}</li>
          ))}
        </ul>
      )}
    </>
  );
}

function Health({ document }: { document: DebriefDocument }) {
  const health = document.alarm_health;
  if (health == null || health.overall === undefined) return null;
  const { overall } = health;
  const figures: [string, string][] = [
    [t("health.raised"), number(overall.raised)],
    [t("debrief.health.peak"), number(overall.per_10_minutes.peak)],
    [t("debrief.health.floods"), number(overall.floods.number)],
    [t("debrief.health.chattering"), number(overall.chattering.number)],
  ];
  return (
    <Part id="alarm-health" title={t("health.alarms")}>
      <dl class="debrief-figures">
        {figures.map(([name, value]) => (
          <div key={name}>
            <dt>{name}</dt>
            <dd>{value}</dd>
          </div>
        ))}
      </dl>
    </Part>
  );
}

export function Report({ document, asked, zone }: { document: DebriefDocument; asked: Asked; zone: string }) {
  const shown = knownZone(document.of.zone);
  const [first, last] = [document.of.since, document.of.until].map((at) => calendarDay(Date.parse(at), shown));
  useEffect(() => {
    recordSimulated.value = isSimulated(document);
    return () => {
      recordSimulated.value = null;
    };
  }, [document]);
  return (
    <Times.Provider value={{ zone: shown, day: "" }}>
      <article class="debrief-report">
        <Head document={document} />
        <Files asked={asked} zone={zone} formats={FORMATS} />
        <Times.Provider value={{ zone: shown, day: first === last ? (first ?? "") : "" }}>
          <Part id="summary" title={t("debrief.summary")}>
            <Figures summary={document.summary} />
            <Gaps document={document} />
          </Part>
          <Boundary what={t("debrief.notwatched")}>
            <Unseen rows={document.not_watched ?? []} />
          </Boundary>
          <Boundary what={t("debrief.picture")}>
            <Picture document={document} />
          </Boundary>
          <Boundary what={t("aircraft.procedures")}>
            <Part id="procedures" title={t("aircraft.procedures")}>
              {document.procedures.length === 0 && <p>{t("debrief.procedures.none")}</p>}
              <div class="runs">
                {orderRuns(document.procedures).reverse().map((run) => (
                  <Run key={run.run_id} run={run} zone={shown} at={Date.parse(document.of.until)} as="h4" />
                ))}
              </div>
            </Part>
          </Boundary>
          <Boundary what={t("aircraft.line.alerts")}>
            <Alerts alerts={document.alerts} />
          </Boundary>
          <Boundary what={t("debrief.answers")}>
            <Answers document={document} />
          </Boundary>
          <Boundary what={t("debrief.trends")}>
            <Trends trends={document.trends} />
          </Boundary>
          <Boundary what={t("health.alarms")}>
            <Health document={document} />
          </Boundary>
          <Boundary what={t("debrief.actions")}>
            <Actions actions={document.actions} />
          </Boundary>
        </Times.Provider>
      </article>
    </Times.Provider>
  );
}
