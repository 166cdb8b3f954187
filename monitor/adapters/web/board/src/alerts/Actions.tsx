// What can be done to an alert: its buttons, or the choice that one of them opened.

import type { RefObject } from "preact";
import { useEffect, useLayoutEffect, useRef } from "preact/hooks";
import type { AlertDocument } from "../wire.ts";
import { placeOf } from "../live/model.ts";
import { onlyLooks } from "../session.ts";
import { t, type Key } from "../words.ts";
import { openChoice, overtake, refusals, sending, working } from "./acting.ts";
import { Choice } from "./Choice.tsx";
import { isShelvingWithheld, listActs } from "./order.ts";
import { sayPlace } from "./wording.ts";

/** `heading` takes the focus when what had it is gone. */
export function Actions({ alert, heading }: { alert: AlertDocument; heading: RefObject<HTMLElement | null> }) {
  const box = useRef<HTMLDivElement>(null);
  const place = placeOf(alert);
  const work = working.value;
  const open = work !== null && work.place === place && work.where === "item" ? work.act : null;
  const refusal = refusals.value.get(place);
  const acts = listActs(alert);

  const overtaken = open !== null && sending.value === null && !acts.includes(open);
  useEffect(() => {
    if (overtaken) overtake(alert);
  }, [overtaken]);

  // Asked before anything is drawn: what has the focus now may be gone afterwards.
  const hadFocus = box.current?.contains(document.activeElement) === true;
  const wasOpen = useRef(open);
  useLayoutEffect(() => {
    const closed = open === null ? wasOpen.current : null;
    wasOpen.current = open;
    if (!hadFocus || box.current?.contains(document.activeElement) === true) return;
    const button = box.current?.querySelector<HTMLElement>(`[data-act="${closed}"]`);
    (button ?? heading.current)?.focus({ preventScroll: true });
  });

  return (
    <div class="alert-actions" ref={box}>
      {refusal !== undefined && <p class="alert-refusal">{refusal}</p>}
      {open !== null ? (
        <Choice alert={alert} act={open} />
      ) : (
        <div class="alert-buttons">
          {acts.map((act, index) => (
            <button
              key={act}
              type="button"
              data-act={act}
              class={index === 0 && act === "acknowledge" ? "first" : undefined}
              aria-label={`${t(`alerts.act.${act}` as Key)}: ${sayPlace(alert)}, ${alert.text}`}
              aria-disabled={onlyLooks.value}
              onClick={() => openChoice(alert, act, "item")}
            >
              {t(`alerts.act.${act}` as Key)}
            </button>
          ))}
          {onlyLooks.value && acts.length > 0 && <p class="alert-withheld">{t("session.looks")}</p>}
          {isShelvingWithheld(alert) && (
            <p class="alert-withheld">{t("alerts.withheld", { seconds: alert.respond_within_s ?? 0 })}</p>
          )}
        </div>
      )}
    </div>
  );
}
