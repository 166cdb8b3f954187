// What would follow if somebody did something at a door now. Asking changes nothing, and the page says so.

import { useSignal } from "@preact/signals";
import { get } from "../api.ts";
import { say } from "../said.ts";
import { t, tAny, tCount } from "../words.ts";
import { Mark } from "../sill/Mark.tsx";
import type { ForeseenAlert, LookAheadAction, LookAheadDocument } from "./documents.ts";
import { DoorField, Moment, Section } from "./parts.tsx";
import { pathOf } from "./paths.ts";
import { chooseDoor, chosenDoor, useDoors, type Scene } from "./scene.ts";

const stateWord = (state: string): string => tAny(`state.${state}`, state);

/** Alerts that would follow, by shape and word alone: colour is for those that stand. */
function Foreseen({ alerts }: { alerts: readonly ForeseenAlert[] }) {
  return (
    <ul class="craft-foreseen">
      {alerts.map((alert) => (
        <li key={`${alert.code}${alert.door}${alert.priority}`}>
          <Mark priority={alert.priority} />
          <span>
            <strong>{tAny(`priority.${alert.priority}`, alert.priority)}</strong>{" "}
            {alert.after_s > 0
              ? t("aircraft.ahead.after", { seconds: Math.round(alert.after_s) })
              : t("aircraft.ahead.atonce")}
            :{" "}
            <span lang="en">
              {alert.text} {alert.action}
            </span>
          </span>
        </li>
      ))}
    </ul>
  );
}

function Action({ action, state }: { action: LookAheadAction; state: string }) {
  const states = action.states.length > 0 ? action.states : [action.state];
  return (
    <li>
      <p>
        <strong lang="en">{action.text}</strong>
      </p>
      <p>
        {states.length === 1 && states[0] === state
          ? t("aircraft.ahead.stays", { state: stateWord(state) })
          : t("aircraft.ahead.becomes", { states: states.map(stateWord).join(" → ") })}{" "}
        {action.alerts.length === 0 && t("aircraft.ahead.noalert")}
      </p>
      <Foreseen alerts={action.alerts} />
      {action.ends.length > 0 && (
        <p class="craft-quiet">
          {t("aircraft.ahead.ends", {
            alerts: action.ends.map((end) => `${end.code.replaceAll("-", " ")} (${end.door})`).join(", "),
          })}
        </p>
      )}
    </li>
  );
}

function Told({ told }: { told: LookAheadDocument }) {
  return (
    <div class="craft-ahead">
      <p>
        {t("aircraft.ahead.asked", {
          door: told.door,
          state: stateWord(told.state),
          minutes: Math.round(told.horizon_s / 60),
        })}{" "}
        <Moment at={told.at} />.
      </p>
      {told.cannot_tell !== null && (
        <p class="craft-refused" lang="en">
          {told.cannot_tell}
        </p>
      )}
      {told.if_nothing_is_done.length > 0 && (
        <>
          <p>{t("aircraft.ahead.nothing")}</p>
          <Foreseen alerts={told.if_nothing_is_done} />
        </>
      )}
      <ul class="craft-actions">
        {told.actions.map((action) => (
          <Action key={action.action} action={action} state={told.state} />
        ))}
      </ul>
      {told.deaf_to.length > 0 && (
        <p class="craft-quiet">
          {t("aircraft.answer.deaf", { codes: told.deaf_to.map((deaf) => deaf.code).join(", ") })}
        </p>
      )}
      <p class="craft-quiet" lang="en">
        {told.advisory}
      </p>
    </div>
  );
}

export function LookAhead({ scene }: { scene: Scene }) {
  const doors = useDoors(scene);
  const told = useSignal<LookAheadDocument | null>(null);
  const refused = useSignal("");
  const busy = useSignal(false);
  const door = chosenDoor.value ?? doors[0] ?? "";
  const ask = async (): Promise<void> => {
    if (busy.peek() || door === "") return;
    busy.value = true;
    const answer = await get<LookAheadDocument>(pathOf(scene.registration, "doors", door, "look-ahead"));
    busy.value = false;
    told.value = answer.ok ? answer.document : null;
    refused.value = answer.ok ? "" : answer.detail;
    say(answer.ok ? tCount("aircraft.ahead.came", answer.document.actions.length) : answer.detail, "later");
  };
  return (
    <Section id="look-ahead" title={t("aircraft.ahead")} scene={scene}>
      <p>{t("aircraft.ahead.nochange")}</p>
      <form
        class="craft-form"
        onSubmit={(event) => {
          event.preventDefault();
          void ask();
        }}
      >
        <DoorField id="ahead-door" doors={doors} door={door} choose={chooseDoor} />
        <button type="submit" aria-disabled={busy.value || door === ""}>
          {t("aircraft.ahead.ask", { door })}
        </button>
      </form>
      {refused.value !== "" && <p class="craft-refused">{refused.value}</p>}
      {told.value !== null && told.value.door === door && <Told told={told.value} />}
    </Section>
  );
}
