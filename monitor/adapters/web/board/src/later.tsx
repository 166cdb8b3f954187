// Parts of the board that are fetched once the first picture stands, so that it stands soon.
//
// They are fetched then whether somebody wants them or not: a page that is open for weeks must
// not ask an upgraded service for a part of the build before.

import { effect, signal, type Signal } from "@preact/signals";
import type { ComponentType } from "preact";
import { model } from "./live/model.ts";
import { t } from "./words.ts";

const RETRY_MS = 2_000;

/** A component that stands in for the one that `bring` fetches, until it is there. */
export function later<P extends object>(bring: () => Promise<ComponentType<P>>): ComponentType<P> {
  const brought: Signal<{ Part: ComponentType<P> } | null> = signal(null);
  const failed = signal(false);
  const ask = (): void => {
    Promise.all([bring(), import("./styles/later.ts")]).then(
      ([Part]) => {
        brought.value = { Part };
      },
      () => {
        failed.value = true;
        setTimeout(ask, RETRY_MS);
      },
    );
  };
  const end = effect(() => {
    if (model.site.value === "") return;
    ask();
    queueMicrotask(() => end());
  });
  return function Later(props: P) {
    const found = brought.value;
    if (found !== null) return <found.Part {...props} />;
    return <p aria-busy={!failed.value}>{t(failed.value ? "part.failed" : "part.waiting")}</p>;
  };
}
