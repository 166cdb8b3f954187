// The strip: what a monitor that listens to the same broker makes of the door in front, the procedure that it follows
// there, and its alerts.

import { useSignal } from "@preact/signals";
import { Mark } from "../../../../monitor/adapters/web/board/src/sill/Mark.tsx";
import { front, monitor } from "./live.ts";
import { shortened, sortAlerts } from "./told.ts";
import { t, tAny } from "./words.ts";
import type { Alert, MonitorPart, Run } from "./wire.ts";

export function Monitor() {
  const told = monitor.value;
  const door = front.value;
  return (
    <section class="monitor" aria-labelledby="monitor-title">
      <h2 id="monitor-title">{t("monitor.title")}</h2>
      {told === null || !told.heard ? (
        <p class="monitor-none">{t("monitor.none")}</p>
      ) : Object.keys(told.doors).length === 0 ? (
        <p class="monitor-none">{t("monitor.deaf")}</p>
      ) : (
        door !== null && <Told told={told} door={door.door} so={door.state} />
      )}
    </section>
  );
}

function Told({ told, door, so }: { told: MonitorPart; door: string; so: string }) {
  return (
    <>
      <State door={door} told={told.doors[door]} so={so} />
      <div class="monitor-run" aria-live="polite">
        <Procedure run={told.runs[door]} />
      </div>
      <Alerts alerts={sortAlerts(told.alerts, door)} />
    </>
  );
}

function State({ door, told, so }: { door: string; told: { state: string | null } | undefined; so: string }) {
  const state = told?.state ?? null;
  return (
    <p class="monitor-state" aria-live="polite">
      {t("monitor.state", { door })} <strong>{state === null ? t("monitor.nothing") : tAny(`state.${state}`, state)}</strong>
      {state !== null && state !== so && <span class="monitor-differs"> {t("monitor.true", { state: tAny(`state.${so}`, so) })}</span>}
    </p>
  );
}

/** What is not known is drawn as such, as on the board. */
const UNKNOWN: readonly string[] = ["cannot-tell", "unseen"];

/** Texts of procedures come from the monitor, in English. */
function Procedure({ run }: { run: Run | undefined }) {
  if (run === undefined) return <p class="monitor-quiet">{t("run.none")}</p>;
  const [due, ...others] = run.due;
  const { shown, more } = shortened(run.troubles);
  return (
    <>
      <p>
        <strong lang="en">{run.title}</strong>, {tAny(`run.state.${run.state}`, run.state)}, {t("run.progress", { done: run.done, of: run.of })}
        {due !== undefined && (
          <>
            . {t("run.due")} <span lang="en">{due}</span>
            {others.length > 0 && ` ${t("run.more", { n: others.length })}`}
          </>
        )}
      </p>
      {shown.length > 0 && (
        <p class="monitor-trouble">
          {shown.map(({ what, text }, at) => (
            <span key={`${what} ${text}`} class={UNKNOWN.includes(what) ? "trouble-unknown" : undefined}>
              {at > 0 && " "}
              <strong>{tAny(`run.trouble.${what}`, what)}</strong> <span lang="en">{text}.</span>
            </span>
          ))}
          {more > 0 && ` ${t("run.more", { n: more })}`}
        </p>
      )}
    </>
  );
}

const SHOWN = 2;

function Alerts({ alerts }: { alerts: readonly Alert[] }) {
  const whole = useSignal(false);
  const shown = whole.value ? alerts : alerts.slice(0, SHOWN);
  const more = alerts.length - SHOWN;
  return (
    <div class="monitor-alerts">
      <ul class={whole.value ? "whole" : undefined} aria-label={t("monitor.alerts")} aria-live="polite">
        {alerts.length === 0 && <li class="monitor-quiet">{t("monitor.quiet")}</li>}
        {shown.map((alert) => (
          <li key={alert.alert_id || `${alert.door} ${alert.code}`} class={alert.priority}>
            <Mark priority={alert.priority} over={alert.state === "latched"} />
            <span>
              <strong>{tAny(`priority.${alert.priority}`, alert.priority)}</strong> <span lang="en">{alert.text}</span>
            </span>
          </li>
        ))}
      </ul>
      {more > 0 && (
        <button type="button" aria-expanded={whole.value} onClick={() => (whole.value = !whole.value)}>
          {whole.value ? t("monitor.fewer") : t("monitor.more", { n: more })}
        </button>
      )}
    </div>
  );
}
