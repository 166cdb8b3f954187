// What a person does to an alert: what is being chosen now, the request, and what came of it.

import { batch, signal, type ReadonlySignal, type Signal } from "@preact/signals";
import { post } from "../api.ts";
import { placeOf } from "../live/model.ts";
import { person } from "../prefs.ts";
import { say } from "../said.ts";
import { onlyLooks } from "../session.ts";
import type { AlertDocument } from "../wire.ts";
import { t, type Key } from "../words.ts";
import type { Act } from "./order.ts";
import { sayHolder, sayPlace } from "./wording.ts";

/** Where the choice stands open: in the alert's item, or below its line of the strip. */
export type Where = "item" | "strip";

export interface Working {
  place: string;
  act: Act;
  where: Where;
}

/** The one choice that is open; null while none is. */
export const working: Signal<Working | null> = signal(null);
/** The place whose action is on its way. */
const sendingNow: Signal<string | null> = signal(null);
export const sending: ReadonlySignal<string | null> = sendingNow;

const refused: Signal<ReadonlyMap<string, string>> = signal(new Map());
/** By place: why the last action did not take effect. Goes with the next action there. */
export const refusals: ReadonlySignal<ReadonlyMap<string, string>> = refused;

function note(place: string, text: string | null): void {
  const notes = new Map(refused.peek());
  if (text === null) notes.delete(place);
  else notes.set(place, text);
  refused.value = notes;
}

export function openChoice(alert: AlertDocument, act: Act, where: Where): void {
  // Beside the item it is said already why not.
  if (onlyLooks.peek() && where === "item") return;
  batch(() => {
    note(placeOf(alert), null);
    working.value = { place: placeOf(alert), act, where };
  });
}

export function closeChoice(): void {
  working.value = null;
}

/** Close a choice that is no longer there to be made: somebody or something was faster. */
export function overtake(alert: AlertDocument): void {
  const told = t("alerts.act.overtaken", { state: sayHolder(alert) });
  batch(() => {
    note(placeOf(alert), told);
    working.value = null;
  });
  say(`${sayPlace(alert)}: ${told}`, "later");
}

export interface Choice {
  reason: string;
  /** Shelving only. */
  minutes?: number;
  /** The `changed_at` that the person saw. */
  seen: string;
}

/** Whether the service takes such an action only with a name. */
export const needsName = (act: Act): boolean => act === "shelve" || act === "close";

/** Send an action; its result is said, and a refusal stays beside the alert. */
export async function perform(alert: AlertDocument, act: Act, choice: Choice): Promise<void> {
  if (sendingNow.peek() !== null) return;
  const place = placeOf(alert);
  sendingNow.value = place;
  const by = person.peek().trim().slice(0, 80);
  const answer = await post<unknown>(`/api/v1/alerts/${encodeURIComponent(alert.alert_id)}/${act}`, {
    ...(by === "" ? {} : { by }),
    reason: choice.reason.trim().slice(0, 500),
    seen: choice.seen,
    ...(choice.minutes === undefined ? {} : { minutes: choice.minutes }),
  });
  const where = sayPlace(alert);
  let failed: string | null = null;
  if (!answer.ok) {
    const detail = answer.status === 0 ? t("alerts.act.unreached") : answer.detail;
    const sentence = detail.charAt(0).toUpperCase() + detail.slice(1).replace(/\.?$/, ".");
    failed = t("alerts.act.refused", { act: t(`alerts.act.${act}` as Key), detail: sentence });
  }
  batch(() => {
    note(place, failed);
    sendingNow.value = null;
    // Below the strip a refusal is told in the choice itself: nothing else of it stays there.
    if (failed === null || working.peek()?.where !== "strip") working.value = null;
  });
  say(failed === null ? t(`alerts.done.${act}` as Key, { place: where }) : `${where}: ${failed}`, "later");
}
