// One alert whole: what to do, why, who has it, what it rests on, and what can be done here.

import { useEffect, useLayoutEffect, useRef } from "preact/hooks";
import { placeOf } from "../live/model.ts";
import { followDrawn } from "../receipts.ts";
import { Simulated } from "../simulated/Simulated.tsx";
import type { AlertDocument } from "../wire.ts";
import { t, tAny } from "../words.ts";
import { Actions } from "./Actions.tsx";
import { EvidenceTable } from "./Evidence.tsx";
import { isOver } from "../sill/gather.ts";
import { Mark } from "../sill/Mark.tsx";
import { groupOf } from "./order.ts";
import { Ago, Left } from "./When.tsx";
import { actionOf, listFlags, placeAddress, priorityWord, sayHolder, sayPlace, sayRole } from "./wording.ts";

/** Whether an alert's mark and edge change slowly: a warning that nobody has. */
export const isCalling = (alert: AlertDocument): boolean =>
  alert.priority === "warning" && alert.state === "unacknowledged";

export interface AlertItemProps {
  alert: AlertDocument;
  /** It has ended since it was drawn; it stays while somebody works on the list. */
  over?: boolean;
}

export function AlertItem({ alert, over = false }: AlertItemProps) {
  const head = useRef<HTMLDivElement>(null);
  const heading = useRef<HTMLHeadingElement>(null);
  const calling = isCalling(alert) && !over;
  useEffect(() => {
    if (calling && head.current !== null) return followDrawn(head.current, alert.alert_id);
    return undefined;
  }, [calling, alert.alert_id]);
  const item = useRef<HTMLLIElement>(null);
  const hadFocus = item.current?.contains(document.activeElement) === true;
  useLayoutEffect(() => {
    if (hadFocus && document.activeElement === document.body) heading.current?.focus({ preventScroll: true });
  });
  // What to do in the reader's language, where it has words for it; the service's own text stands below, whole.
  const action = actionOf(alert);
  const flags = listFlags(alert);
  const classes = ["alert", `alert-${alert.priority}`, `alert-${groupOf(alert)}`];
  if (calling) classes.push("calls");
  const past = over || isOver(alert);
  if (over) classes.push("alert-over");
  if (past) classes.push("alert-past");
  return (
    <li class={classes.join(" ")} ref={item} data-place={placeOf(alert)}>
      <div class="alert-head" ref={head}>
        <Mark priority={alert.priority} over={past} />
        <h3 class="alert-title" ref={heading} tabIndex={-1}>
          <span class="alert-word">{priorityWord(alert.priority)}</span>{" "}
          <a href={placeAddress(alert)}>{sayPlace(alert)}</a>
          {alert.simulated === true && <Simulated />}
        </h3>
        <p class="alert-action" lang={action.lang}>
          {action.text}
        </p>
      </div>
      <div class="alert-body">
        {action.lang === undefined && (
          <p class="alert-text">
            {tAny(`alert.${alert.code}.title`, "")} <span lang="en">{alert.action}</span>
          </p>
        )}
        <p class="alert-text" lang="en">
          {alert.text}
        </p>
        <p class="alert-consequence" lang="en">
          {alert.consequence}
        </p>
        <p class="alert-holder">
          <span>{over ? t("alerts.over") : sayHolder(alert)}</span>{" "}
          {alert.shelved_until !== undefined && <Left until={alert.shelved_until} />}
          {alert.out_of_service_until !== undefined && <Left until={alert.out_of_service_until} />}
        </p>
        <p class="alert-times">
          {t("alerts.raised")} <Ago at={alert.raised_at} />
          {alert.changed_at !== alert.raised_at && (
            <>
              , {t("alerts.changed")} <Ago at={alert.changed_at} />
            </>
          )}
          . {sayRole(alert)}
        </p>
        {flags.length > 0 && (
          <ul class="alert-flags">
            {flags.map((flag) => (
              <li key={flag}>{flag}</li>
            ))}
          </ul>
        )}
      </div>
      {!over && <Actions alert={alert} heading={heading} />}
      <EvidenceTable alert={alert} />
    </li>
  );
}
