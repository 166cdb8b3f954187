// The journal's record of an aircraft for what is looked at, asked for again when something of it changed, and after
// every time in which the page heard nothing.

import { batch, useComputed, useSignal, useSignalEffect, type ReadonlySignal } from "@preact/signals";
import { useRef } from "preact/hooks";
import { get } from "../api.ts";
import { model } from "../live/model.ts";
import { notLive, now, snapshots } from "../live/stream.ts";
import type { Look } from "./axis.ts";
import { followDoors } from "./bands.ts";
import type { TimelineDocument } from "./documents.ts";
import { pathOf } from "./paths.ts";

const APART_MS = 2_000;
const RETRY_MS = 5_000;

export interface Record {
  /** The record of what is looked at now; null until it is answered. */
  document: TimelineDocument | null;
  refusal: string | null;
  /** From when on something may be missing, because the page was cut off and has no newer answer yet, ms; null where nothing is. */
  unheard: number | null;
}

/** What of an aircraft makes the record longer: states and alerts, and no reading. */
function changesOf(registration: string): string {
  const view = model.view(registration).value;
  if (view === null) return "";
  const states = [...view.doors.values()].map(({ door, state, since }) => `${door}=${state}@${since}`);
  return [...states, ...view.alerts.map((alert) => `${alert.alert_id}@${alert.changed_at}`)].join();
}

/** Follow the record of what is looked at for as long as the component lives. */
export function useRecord(registration: string, look: ReadonlySignal<Look>): ReadonlySignal<Record> {
  const found = useSignal<{ document: TimelineDocument | null; refusal: string | null; look: Look | null }>({
    document: null,
    refusal: null,
    look: null,
  });
  const unheard = useSignal<number | null>(null);
  const before = useRef({ live: true, pictures: snapshots.peek() });
  const changes = useComputed(() => changesOf(registration));
  useSignalEffect(() => {
    const wanted = look.value;
    const gone = notLive.value;
    const pictures = snapshots.value;
    // What is over does not change any more.
    if (wanted.until === null) void changes.value;
    const kept = found.peek().document;
    const renewed = !before.current.live || before.current.pictures !== pictures;
    before.current = { live: gone === null, pictures };
    // A whole picture without a silence before it: what came between it and the newest answer is not known here.
    if (kept !== null && (gone !== null || renewed)) {
      unheard.value = Math.min(unheard.peek() ?? Number.POSITIVE_INFINITY, gone?.since ?? Date.parse(kept.until));
    }
    // Before the first picture nobody knows the service's clock.
    if (gone !== null || pictures === 0) return undefined;
    let over = false;
    let timer: ReturnType<typeof setTimeout> | undefined;
    const ask = async (): Promise<void> => {
      const until = wanted.until ?? now.peek();
      const query = new URLSearchParams({ since: new Date(until - wanted.span).toISOString() });
      if (wanted.until !== null) query.set("until", new Date(until).toISOString());
      const answer = await get<TimelineDocument>(`${pathOf(registration, "timeline")}?${query}`);
      if (over) return;
      const earlier = found.peek();
      batch(() => {
        found.value = answer.ok
          ? { document: answer.document, refusal: null, look: wanted }
          : { document: earlier.look === wanted ? earlier.document : null, refusal: answer.detail, look: wanted };
        if (answer.ok) unheard.value = null;
      });
      if (!answer.ok) timer = setTimeout(() => void ask(), RETRY_MS);
    };
    timer = setTimeout(() => void ask(), found.peek().look === wanted && !renewed ? APART_MS : 0);
    return () => {
      over = true;
      clearTimeout(timer);
    };
  });
  return useComputed(() => {
    const { document, refusal, look: of } = found.value;
    if (document === null || of !== look.value) {
      return { document: null, refusal: of === look.value ? refusal : null, unheard: null };
    }
    const doors = of.until === null && notLive.value === null ? model.view(registration).value?.doors : undefined;
    const followed = doors === undefined ? document : followDoors(document, doors.values());
    return { document: followed, refusal, unheard: unheard.value };
  });
}
