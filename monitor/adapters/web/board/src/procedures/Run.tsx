// One run of a procedure whole: its steps with what became of each, what was forbidden, how long, and in a drill its score.
//
// Draws a run that goes on as well as one of the record; of the first its time ticks, unless a record tells how it stood at
// its end.

import type { ComponentChildren } from "preact";
import { foreign } from "../foreign.ts";
import { Simulated } from "../simulated/Simulated.tsx";
import { clockTime, duration } from "../times.ts";
import type { ProcedureRun, ProcedureStep } from "../wire.ts";
import { t, tAny } from "../words.ts";
import { elapsedOf, progressOf, stateOf, tookOf, troublesOf } from "./run.ts";
import { Elapsed } from "./RunLine.tsx";
import { StepShape, TROUBLE_SHAPES } from "./StepShape.tsx";

/** "3.2 s of 5 s", as far as it is told. */
function sayTook(step: ProcedureStep): string {
  const time = tookOf(step);
  if (time === null) return "";
  const limit = time.limit === null ? "" : duration(time.limit);
  if (time.took === null) return t("procedure.step.limit", { limit });
  const took = duration(time.took);
  return limit === "" ? took : t("procedure.elapsed.limit", { elapsed: took, limit });
}

function Step({ step, zone }: { step: ProcedureStep; zone: string }) {
  const state = stateOf(step);
  return (
    <li class={`step step-${state}`}>
      <StepShape state={state} />
      <span class="step-text" lang="en">
        {foreign(step.text)}
      </span>
      <span class="step-word">
        {t(`procedure.step.${state}`)}
        {step.reported === true && ` (${t("procedure.step.reported")})`}
        {step.optional === true && ` (${t("procedure.step.optional")})`}
      </span>
      <span class="step-time">
        {step.at != null && <time dateTime={step.at}>{clockTime(Date.parse(step.at), zone)}</time>}
        {[step.at == null ? null : "", sayTook(step) || null].filter((each) => each !== null).join(", ")}
      </span>
    </li>
  );
}

function unscored(run: ProcedureRun): "procedure.score.later" | "procedure.score.untold" | "procedure.score.none" {
  if (run.state === "running") {
    return "procedure.score.later";
  }
  // What was not finished, or is not the drill's own procedure, is not scored: that is no doubt.
  return run.state === "finished" && (run.counts?.cannot_tell ?? 0) > 0 ? "procedure.score.untold" : "procedure.score.none";
}

function Score({ run }: { run: ProcedureRun }) {
  if (!run.drill) return null;
  const { score } = run.drill;
  return (
    <p class="run-score">
      <span class="run-drill">{run.drill.name ? t("drill.named", { name: foreign(run.drill.name) }) : t("apron.drill")}</span>{" "}
      {score ? (
        <b>{t("procedure.score", { points: score.points, of: score.of, percent: Math.round(score.percent) })}</b>
      ) : (
        <span class="craft-unknown">{t(unscored(run))}</span>
      )}
    </p>
  );
}

export function Run({ run, zone, at, as: Heading = "h3", children }: { run: ProcedureRun; zone: string; at?: number; as?: "h3" | "h4"; children?: ComponentChildren }) {
  const { done, of } = progressOf(run);
  const forbidden = run.forbidden ?? [];
  const unseen = run.unseen ?? [];
  return (
    <article class={`run run-${run.state}`} aria-labelledby={`run-${run.run_id}`}>
      <Heading id={`run-${run.run_id}`}>
        {run.door} <span lang="en">{foreign(run.title)}</span>
        {run.simulated === true && <Simulated />}
      </Heading>
      <p class="run-state">
        <b>{tAny(`procedure.state.${run.state}`, run.state)}</b>, {t("procedure.progress", { done, of })},{" "}
        {run.state === "running" ? <Elapsed run={run} at={at} /> : <span class="run-elapsed">{duration(elapsedOf(run, 0))}</span>},{" "}
        {t("procedure.began")} <time dateTime={run.began_at}>{clockTime(Date.parse(run.began_at), zone)}</time>
        {run.late === true && <span class="run-late"> ({t("alerts.flag.late")})</span>}
      </p>
      {run.why !== undefined && (
        <p class="craft-quiet" lang="en">
          {run.why}
        </p>
      )}
      {(run.may_be?.length ?? 0) > 1 && <p class="craft-quiet">{t("procedure.maybe", { n: run.may_be?.length ?? 0 })}</p>}
      <Score run={run} />
      {troublesOf(run).length > 0 && (
        <ul class="run-troubles">
          {troublesOf(run).map(([trouble, n]) => (
            <li key={trouble} class={`run-trouble run-trouble-${trouble}`}>
              <StepShape state={TROUBLE_SHAPES[trouble]} /> {t(`procedure.count.${trouble}`, { n })}
            </li>
          ))}
        </ul>
      )}
      <ol class="steps" aria-label={t("procedure.steps")}>
        {(run.steps ?? []).map((step) => (
          <Step key={step.step} step={step} zone={zone} />
        ))}
      </ol>
      {forbidden.length + unseen.length > 0 && (
        <ul class="steps" aria-label={t("procedure.forbidden")}>
          {forbidden.map((each, n) => (
            <li key={n} class="step step-forbidden">
              <StepShape state="forbidden" />
              <span class="step-text" lang="en">
                {foreign(each.text)}
              </span>
              <span class="step-word">{t("procedure.step.forbidden")}</span>
              <span class="step-time">
                <time dateTime={each.at}>{clockTime(Date.parse(each.at), zone)}</time>
              </span>
            </li>
          ))}
          {unseen.map((each) => (
            <li key={each.rule} class="step step-cannot-tell">
              <StepShape state="cannot-tell" />
              <span class="step-text" lang="en">
                {foreign(each.text)}
              </span>
              <span class="step-word">{t("procedure.step.unseen")}</span>
            </li>
          ))}
        </ul>
      )}
      {(run.left_out?.length ?? 0) > 0 && (
        <p class="craft-quiet">
          {t("procedure.leftout")} <span lang="en">{(run.left_out ?? []).map((each) => `${each.text} (${each.why})`).join("; ")}</span>
        </p>
      )}
      {children}
    </article>
  );
}
