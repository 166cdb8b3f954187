// The strip: what a monitor that listens to the same broker makes of the door in front, and its alerts.

import { Mark } from "../../../../monitor/adapters/web/board/src/sill/Mark.tsx";
import { front, monitor } from "./live.ts";
import { t, tAny } from "./words.ts";
import type { Alert } from "./wire.ts";

const URGENCY = { warning: 0, caution: 1, advisory: 2 } as const;

/** Most urgent first; of the same urgency those of the door in front, then as the monitor sent them, the newest first. */
function sort(alerts: readonly Alert[], door: string): Alert[] {
  const away = (alert: Alert): number => Number(alert.door !== door);
  return [...alerts].reverse().sort((a, b) => URGENCY[a.priority] - URGENCY[b.priority] || away(a) - away(b));
}

export function Monitor() {
  const told = monitor.value;
  const door = front.value;
  return (
    <section class="monitor" aria-labelledby="monitor-title">
      <h2 id="monitor-title">{t("monitor.title")}</h2>
      {told === null || !told.heard ? (
        <p class="monitor-none">{t("monitor.none")}</p>
      ) : (
        <>
          {door !== null && <State door={door.door} told={told.doors[door.door]} so={door.state} />}
          <Alerts alerts={sort(told.alerts, door?.door ?? "")} />
        </>
      )}
    </section>
  );
}

function State({ door, told, so }: { door: string; told: { state: string } | undefined; so: string }) {
  const said = told === undefined ? t("monitor.nothing") : tAny(`state.${told.state}`, told.state);
  return (
    <p class="monitor-state" aria-live="polite">
      {t("monitor.state", { door })} <strong>{said}</strong>
      {told !== undefined && told.state !== so && <span class="monitor-differs"> {t("monitor.true", { state: tAny(`state.${so}`, so) })}</span>}
    </p>
  );
}

function Alerts({ alerts }: { alerts: readonly Alert[] }) {
  return (
    <ul class="monitor-alerts" aria-label={t("monitor.alerts")} aria-live="polite" tabIndex={alerts.length > 2 ? 0 : -1}>
      {alerts.length === 0 && <li class="monitor-quiet">{t("monitor.quiet")}</li>}
      {alerts.map((alert) => (
        <li key={alert.alert_id} class={alert.priority}>
          <Mark priority={alert.priority} over={alert.state === "latched"} />
          <span>
            <strong>{tAny(`priority.${alert.priority}`, alert.priority)}</strong>{" "}
            <span lang="en">{alert.text}</span>
          </span>
        </li>
      ))}
    </ul>
  );
}
