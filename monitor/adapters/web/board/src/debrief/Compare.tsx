// Two drills side by side: their figures, their steps, their alerts, and how their doors moved.

import type { ComponentChildren } from "preact";
import { useEffect } from "preact/hooks";
import { priorityWord } from "../alerts/wording.ts";
import { Foreign, Table } from "../health/parts.tsx";
import { stateOf } from "../procedures/run.ts";
import { StepShape } from "../procedures/StepShape.tsx";
import { Mark } from "../sill/Mark.tsx";
import { recordSimulated } from "../simulated/in_view.ts";
import { Simulated } from "../simulated/Simulated.tsx";
import { calendarDay, clockMinute } from "../times.ts";
import { language, t, tAny } from "../words.ts";
import { putNumber } from "../health/figures.ts";
import { FORMATS_TO_READ, type Asked } from "./address.ts";
import type { ComparedDocument, StepSide } from "./documents.ts";
import { Files } from "./Report.tsx";
import { Part } from "./parts.tsx";
import { isSimulated } from "./picture.ts";
import { knownZone, seconds } from "./when.ts";

function Step({ side }: { side: StepSide | null }) {
  if (side === null) return <>{t("debrief.notthere")}</>;
  const state = stateOf(side);
  const took = seconds(side.took_s);
  return (
    <span class={`step-cell step-${state}`}>
      <StepShape state={state} /> {t(`procedure.step.${state}`)}
      {took === null ? "" : `, ${took}`}
    </span>
  );
}

function put(value: number | null | undefined): string {
  return putNumber(value, language.value, 0) ?? t("health.unknown");
}

function sayResponse(response: { median: number; worst: number } | null): string {
  if (response === null) return t("debrief.sum.response.nobody");
  return t("debrief.sum.response.value", { median: seconds(response.median) ?? "", worst: seconds(response.worst) ?? "" });
}

export function Compare({ document, asked, zone: wanted }: { document: ComparedDocument; asked: Asked; zone: string }) {
  useEffect(() => {
    recordSimulated.value = document.drills.every(isSimulated);
    return () => {
      recordSimulated.value = null;
    };
  }, [document]);
  const names = document.drills.map((drill, n) => {
    const at = Date.parse(drill.of.since);
    const zone = knownZone(drill.of.zone);
    return `${n === 0 ? "A" : "B"}: ${drill.of.title}, ${calendarDay(at, zone)} ${clockMinute(at, zone)}`;
  });
  const heads = (first: string): string[] => [first, names[0] ?? "A", names[1] ?? "B"];
  const none = (list: readonly unknown[], table: ComponentChildren): ComponentChildren => (list.length === 0 ? <p>{t("debrief.compare.none")}</p> : table);
  return (
    <article class="debrief-report">
      <h2>
        {t("debrief.compare")} <Foreign text={document.of.title} />
        {document.drills.every(isSimulated) && <Simulated />}
      </h2>
      <ul class="debrief-cautions" lang="en">
        {document.cautions.map((each) => (
          <li key={each}>{each}</li>
        ))}
      </ul>
      <Files asked={asked} zone={wanted} formats={FORMATS_TO_READ} />
      <Part id="figures" title={t("debrief.summary")}>
        <Table caption={t("debrief.compare.caption", { title: t("debrief.summary") })} heads={heads(t("debrief.figure"))}>
          {document.figures.map((figure) => (
            <tr key={figure.figure}>
              <th scope="row">{tAny(`debrief.figure.${figure.figure}`, figure.text)}</th>
              <td>{put(figure.one)}</td>
              <td>{put(figure.other)}</td>
            </tr>
          ))}
          <tr>
            <th scope="row">{t("debrief.sum.response")}</th>
            <td>{sayResponse(document.response_s.one)}</td>
            <td>{sayResponse(document.response_s.other)}</td>
          </tr>
        </Table>
      </Part>
      <Part id="steps" title={t("procedure.steps")}>
        {none(
          document.steps,
          <Table caption={t("debrief.compare.caption", { title: t("procedure.steps") })} heads={heads(t("debrief.step"))}>
            {document.steps.map((row) => (
              <tr key={`${row.procedure}${row.run}${row.step}`}>
                <th scope="row" lang="en">
                  <Foreign text={row.text || row.step} />
                  {row.run > 1 ? ` (${row.run})` : ""}
                </th>
                <td>
                  <Step side={row.one} />
                </td>
                <td>
                  <Step side={row.other} />
                </td>
              </tr>
            ))}
          </Table>,
        )}
      </Part>
      <Part id="alerts" title={t("aircraft.line.alerts")}>
        {none(
          document.alerts,
          <Table caption={t("debrief.compare.caption", { title: t("aircraft.line.alerts") })} heads={heads(t("debrief.what"))}>
            {document.alerts.map((row) => (
              <tr key={row.code}>
                <th scope="row">
                  <Mark priority={row.priority} /> {priorityWord(row.priority)} {row.code}
                </th>
                {([["one", row.one], ["other", row.other]] as const).map(([side, n]) => (
                  <td key={side}>
                    {put(n)}
                    {seconds(row.worst_response_s[side]) === null ? "" : `, ${t("debrief.atworst", { worst: seconds(row.worst_response_s[side]) ?? "" })}`}
                  </td>
                ))}
              </tr>
            ))}
          </Table>,
        )}
      </Part>
      <Part id="trends" title={t("debrief.trends")}>
        {none(
          document.trends,
          <Table caption={t("debrief.trends.caption")} heads={heads(t("aircraft.door"))}>
            {document.trends.map((row) => (
              <tr key={row.door}>
                <th scope="row">{row.door}</th>
                {[row.one, row.other].map((side, n) => (
                  <td key={n}>
                    {side === null
                      ? t("debrief.notthere")
                      : [
                          `${t("debrief.opening")} ${seconds(side.opening_s?.median) ?? t("debrief.notmeasured")}`,
                          `${t("debrief.closing")} ${seconds(side.closing_s?.median) ?? t("debrief.notmeasured")}`,
                        ].join(", ")}
                  </td>
                ))}
              </tr>
            ))}
          </Table>,
        )}
      </Part>
      <p>
        {document.drills.map((drill, n) =>
          drill.of.drill === null ? null : (
            <span key={n}>
              <a href={`/debrief?drill=${encodeURIComponent(drill.of.drill.permit_id)}`}>{t("debrief.whole", { title: names[n] ?? "" })}</a>{" "}
            </span>
          ),
        )}
      </p>
    </article>
  );
}
