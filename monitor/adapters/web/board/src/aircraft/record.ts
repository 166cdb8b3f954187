// The journal's record of an aircraft for what is looked at, asked for again when something of it changed.

import { useComputed, useSignal, useSignalEffect, type ReadonlySignal } from "@preact/signals";
import { get } from "../api.ts";
import { model } from "../live/model.ts";
import { notLive, now } from "../live/stream.ts";
import type { Look } from "./axis.ts";
import { followDoors } from "./bands.ts";
import type { TimelineDocument } from "./documents.ts";

const APART_MS = 2_000;
const RETRY_MS = 5_000;

export interface Record {
  /** The record of what is looked at now; null until it is answered. */
  document: TimelineDocument | null;
  refusal: string | null;
}

/** What of an aircraft makes the record longer: states and alerts, and no reading. */
function changesOf(registration: string): string {
  const view = model.view(registration).value;
  if (view === null) return "";
  const states = Object.entries(view.row.door_states).map(([door, state]) => `${door}=${state}`);
  return [...states, ...view.alerts.map((alert) => `${alert.alert_id}@${alert.changed_at}`)].join();
}

/** Follow the record of what is looked at for as long as the component lives. */
export function useRecord(registration: string, look: ReadonlySignal<Look>): ReadonlySignal<Record> {
  const found = useSignal<Record & { look: Look | null }>({ document: null, refusal: null, look: null });
  const changes = useComputed(() => changesOf(registration));
  useSignalEffect(() => {
    const wanted = look.value;
    // What is over does not change any more.
    if (wanted.until === null) void changes.value;
    let over = false;
    let timer: ReturnType<typeof setTimeout> | undefined;
    const ask = async (): Promise<void> => {
      const until = wanted.until ?? now.peek();
      const since = new Date(until - wanted.span).toISOString();
      const end = wanted.until === null ? "" : `&until=${new Date(until).toISOString()}`;
      const answer = await get<TimelineDocument>(`/api/v1/aircraft/${registration}/timeline?since=${since}${end}`);
      if (over) return;
      const before = found.peek();
      const kept = before.look === wanted ? before.document : null;
      found.value = answer.ok
        ? { document: answer.document, refusal: null, look: wanted }
        : { document: kept, refusal: answer.detail, look: wanted };
      if (!answer.ok) timer = setTimeout(() => void ask(), RETRY_MS);
    };
    timer = setTimeout(() => void ask(), found.peek().look === wanted ? APART_MS : 0);
    return () => {
      over = true;
      clearTimeout(timer);
    };
  });
  return useComputed(() => {
    const { document, refusal, look: of } = found.value;
    if (document === null || of !== look.value) return { document: null, refusal: of === look.value ? refusal : null };
    const doors = of.until === null && notLive.value === null ? model.view(registration).value?.doors : undefined;
    return { document: doors === undefined ? document : followDoors(document, doors.values()), refusal };
  });
}
