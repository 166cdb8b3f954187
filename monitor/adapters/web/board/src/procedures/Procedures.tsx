// The procedures at this aircraft's doors: the run that goes on at each, or the last one since the aircraft came.

import { useComputed } from "@preact/signals";
import { useSending } from "../aircraft/sending.ts";
import { Said } from "../aircraft/Report.tsx";
import { PersonField, Section, Withheld } from "../aircraft/parts.tsx";
import { pathOf } from "../aircraft/paths.ts";
import { foreign } from "../foreign.ts";
import { useParts } from "../apron/stable.ts";
import { model } from "../live/model.ts";
import { person } from "../prefs.ts";
import { onlyLooks } from "../session.ts";
import type { ProcedureRun } from "../wire.ts";
import { t } from "../words.ts";
import { Boundary } from "../parts/Boundary.tsx";
import { orderRuns, reportableSteps } from "./run.ts";
import { Run } from "./Run.tsx";

/** What only a person can see is reported with one press, once it is known who presses. */
function Reporting({ run }: { run: ProcedureRun }) {
  const { busy, outcome, send } = useSending();
  const steps = reportableSteps(run);
  const said = <Said outcome={outcome.value} />;
  if (steps.length === 0) return said;
  const report = (step: string, text: string): void => {
    const by = person.peek().trim();
    if (onlyLooks.peek() || busy.peek()) return;
    if (by === "") {
      document.getElementById(`report-step-by-${run.run_id}`)?.focus();
      return;
    }
    const body = { by, procedure_steps: [step] };
    void send(pathOf(run.aircraft, "doors", run.door, "report"), body, () => t("procedure.report.taken", { text, door: run.door }));
  };
  return (
    <div class="run-report">
      <div class="craft-form">
        <PersonField id={`report-step-by-${run.run_id}`} />
        {steps.map((step) => (
          <button
            key={step.step}
            type="button"
            aria-disabled={busy.value || onlyLooks.value}
            onClick={() => report(step.step, step.text)}
          >
            {t("procedure.report")} <span lang="en">{foreign(step.text)}</span>
          </button>
        ))}
      </div>
      <Withheld />
      {said}
    </div>
  );
}

export function Procedures({ registration }: { registration: string }) {
  const runs = useParts(registration).procedures;
  const ordered = useComputed(() => orderRuns(runs.value.values())).value;
  const zone = model.timezone.value;
  return (
    <Section id="procedures" title={t("aircraft.procedures")}>
      {ordered.length === 0 && <p class="craft-quiet">{t("procedure.none")}</p>}
      <div class="runs">
        {ordered.map((run) => (
          <Boundary key={run.door} what={`${registration} ${run.door} ${run.title}`}>
            <Run run={run} zone={zone}>
              <Reporting run={run} />
            </Run>
          </Boundary>
        ))}
      </div>
      <p class="craft-quiet">
        {t("procedure.caution")} <a href={`/debrief?aircraft=${encodeURIComponent(registration)}`}>{t("procedure.earlier")}</a>
      </p>
    </Section>
  );
}
