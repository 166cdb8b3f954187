// Sending an action and showing what came of it: one at a time, and a refusal as its sentence.

import { useSignal, type ReadonlySignal } from "@preact/signals";
import { post } from "../api.ts";
import { say } from "../said.ts";

export interface Outcome {
  ok: boolean;
  text: string;
}

export interface Sending {
  busy: ReadonlySignal<boolean>;
  outcome: ReadonlySignal<Outcome | null>;
  /** Send; `done` says in words what the answer means. Tells whether it was taken. */
  send<T>(path: string, body: unknown, done: (document: T) => string): Promise<boolean>;
}

export function useSending(): Sending {
  const busy = useSignal(false);
  const outcome = useSignal<Outcome | null>(null);
  return {
    busy,
    outcome,
    async send<T>(path: string, body: unknown, done: (document: T) => string): Promise<boolean> {
      if (busy.peek()) return false;
      busy.value = true;
      const answer = await post<T>(path, body);
      busy.value = false;
      outcome.value = answer.ok ? { ok: true, text: done(answer.document) } : { ok: false, text: answer.detail };
      say(outcome.value.text, "later");
      return answer.ok;
    },
  };
}
