// Asks a question again and again for as long as what shows its answer is on the page.
//
// The next question waits for the last answer, so that a slow service is not asked the more;
// a hidden page asks nothing. What was answered last stays, together with why there is no newer.

import { signal, useSignal, useSignalEffect, type ReadonlySignal, type Signal } from "@preact/signals";
import { get } from "../api.ts";

export interface Asked<T> {
  document: T | null;
  /** Why the newest question was not answered; null where it was. */
  refusal: string | null;
}

const REFRESH_MS = 5_000;

const visible: Signal<boolean> = signal(document.visibilityState !== "hidden");
document.addEventListener("visibilitychange", () => {
  visible.value = document.visibilityState !== "hidden";
});

/** Ask for the document at `address` now and every `everyMs`. */
export function useAsked<T>(address: ReadonlySignal<string>, everyMs: number = REFRESH_MS): ReadonlySignal<Asked<T>> {
  const asked = useSignal<Asked<T>>({ document: null, refusal: null });
  useSignalEffect(() => {
    const path = address.value;
    if (!visible.value) return undefined;
    let over = false;
    let timer: ReturnType<typeof setTimeout> | undefined;
    const ask = async (): Promise<void> => {
      const answer = await get<T>(path);
      if (over) return;
      asked.value = answer.ok
        ? { document: answer.document, refusal: null }
        : { document: asked.peek().document, refusal: answer.detail };
      timer = setTimeout(() => void ask(), everyMs);
    };
    void ask();
    return () => {
      over = true;
      clearTimeout(timer);
    };
  });
  return asked;
}
