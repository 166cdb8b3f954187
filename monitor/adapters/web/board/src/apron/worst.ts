// Which of an aircraft's alerts is told first, and how its action is cut into what is called out and what follows.

import { counts, isOver } from "../sill/gather.ts";
import type { AlertDocument } from "../wire.ts";

const PRIORITIES = ["warning", "caution", "advisory"];
const WORDS_OF_A_CALL = 3;

/** The alerts that are shown, the most urgent first: those that hold, by priority, then those nobody has, then the newest. */
export function urgentFirst(alerts: readonly AlertDocument[]): AlertDocument[] {
  return alerts
    .filter(counts)
    .sort(
      (a, b) =>
        Number(isOver(a)) - Number(isOver(b)) ||
        PRIORITIES.indexOf(a.priority) - PRIORITIES.indexOf(b.priority) ||
        Number(b.state === "unacknowledged") - Number(a.state === "unacknowledged") ||
        Number(b.active) - Number(a.active) ||
        b.raised_at.localeCompare(a.raised_at) ||
        a.alert_id.localeCompare(b.alert_id),
    );
}

/** Cut an action after its first sentence that says more than "Stop.". */
export function splitAction(action: string): { call: string; rest: string } {
  const sentences = action.match(/[^.]+\.?\s*/g) ?? [action];
  let call = "";
  for (const sentence of sentences) {
    call += sentence;
    if (call.trim().split(/\s+/).length >= WORDS_OF_A_CALL) break;
  }
  return { call: call.trim(), rest: action.slice(call.length).trim() };
}
