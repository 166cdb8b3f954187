// What goes on at an aircraft's doors, a short line each, in its row on the apron.

import { foreign } from "../foreign.ts";
import { now } from "../live/stream.ts";
import { duration } from "../times.ts";
import type { ProcedureRun } from "../wire.ts";
import { t, tCount } from "../words.ts";
import { clockOf, dueSteps, elapsedOf, goingOn, progressOf, troublesOf } from "./run.ts";
import { StepShape, TROUBLE_SHAPES } from "./StepShape.tsx";

/** How long the run has gone on, and the step that is awaited against its limit: ticking, or as it was at a moment. */
export function Elapsed({ run, at }: { run: ProcedureRun; at?: number | undefined }) {
  const then = at ?? now.value;
  const clock = clockOf(run, then);
  const whole = Math.floor(elapsedOf(run, then) / 1000);
  return (
    <span class="run-elapsed">
      {whole < 2 ? `${whole} s` : duration(whole * 1000)}
      {clock !== null && `, ${t("procedure.clock", { elapsed: `${Math.floor(clock.elapsed / 1000)} s`, limit: duration(clock.limit) })}`}
    </span>
  );
}

function Line({ run }: { run: ProcedureRun }) {
  const { done, of } = progressOf(run);
  const [due, ...others] = dueSteps(run);
  return (
    <li class="run-line">
      <b>{run.door}</b> <span lang="en">{foreign(run.title)}</span>, {t("procedure.progress", { done, of })},{" "}
      <Elapsed run={run} />
      {due !== undefined && (
        <>
          . {t("procedure.due")} <b lang="en">{foreign(due.text)}</b>
          {others.length > 0 && ` ${tCount("procedure.due.more", others.length)}`}
        </>
      )}
      {troublesOf(run).map(([trouble, n]) => (
        <span key={trouble} class={`run-trouble run-trouble-${trouble}`}>
          <StepShape state={TROUBLE_SHAPES[trouble]} /> {t(`procedure.count.${trouble}`, { n })}
        </span>
      ))}
      {run.drill && <span class="run-drill">{run.drill.name ? t("drill.named", { name: foreign(run.drill.name) }) : t("apron.drill")}</span>}
    </li>
  );
}

export function RunLines({ runs }: { runs: ReadonlyMap<string, ProcedureRun> }) {
  const going = goingOn(runs);
  if (going.length === 0) return null;
  return (
    <ul class="run-lines">
      {going.map((run) => (
        <Line key={run.run_id} run={run} />
      ))}
    </ul>
  );
}
