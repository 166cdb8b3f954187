// One question to the service and its answer: asked when the address is set, and anew only when somebody wants it.

import { useSignal, useSignalEffect, type ReadonlySignal } from "@preact/signals";
import { get } from "../api.ts";

export interface Answered<T> {
  document: T | null;
  /** Why there is none, in the service's own words; empty where it was not reached. */
  refusal: string | null;
  asking: boolean;
}

/** A report of a long period takes a while, and waits for the one before it. */
const TIMEOUT_MS = 180_000;
const NOTHING = { document: null, refusal: null, asking: false } as const;

/** Ask for what is at `address`; null asks for nothing. An answer to an earlier question is dropped. */
export function useAnswer<T>(address: ReadonlySignal<string | null>, again?: ReadonlySignal<number>): ReadonlySignal<Answered<T>> {
  const answered = useSignal<Answered<T>>(NOTHING);
  useSignalEffect(() => {
    const path = address.value;
    void again?.value;
    if (path === null) {
      answered.value = NOTHING;
      return undefined;
    }
    let over = false;
    const given = new AbortController();
    const late = setTimeout(() => given.abort(), TIMEOUT_MS);
    answered.value = { document: null, refusal: null, asking: true };
    // What nobody waits for any more is not made any more: the next question would wait for it.
    void get<T>(path, given.signal).then((answer) => {
      clearTimeout(late);
      if (over) return;
      answered.value = answer.ok
        ? { document: answer.document, refusal: null, asking: false }
        : { document: null, refusal: answer.status === 0 ? "" : answer.detail, asking: false };
    });
    return () => {
      over = true;
      clearTimeout(late);
      given.abort();
    };
  });
  return answered;
}
