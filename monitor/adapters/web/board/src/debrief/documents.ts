// What the service answers for a debrief, as types. Nothing is added to it here; whatever may be wanting is optional.

import type { DrillDocument } from "../drills/documents.ts";
import type { AlarmHealth, Place } from "../health/documents.ts";
import type { AlertDocument, PermitDocument, Priority, ProcedureRun, Verdict } from "../wire.ts";

/** Stands for an answer where there is none. */
export const NOT_ON_RECORD = "not on record";

export interface Stretch {
  from: string;
  to: string;
}

export interface DebriefOf {
  kind: string;
  title: string;
  aircraft: string[];
  doors: string[] | null;
  stand: string | null;
  drill: DrillDocument | null;
  since: string;
  until: string;
  zone: string;
  recorded_from: string;
  recorded_to?: string;
  gaps: (Stretch & { why: string })[];
}

export interface Summary {
  openings: number;
  closings: number;
  alerts: Partial<Record<Priority, number>>;
  acknowledged: number;
  response_s: { median: number; worst: number } | null;
  within_time: number;
  late: number;
  procedures: number;
  score_percent: number | null;
  /** Doors of which no line is drawn, because nothing happened there. */
  doors_still?: number;
}

export interface DebriefLane {
  aircraft: string;
  door: string;
  kind: string;
  states: (Stretch & { state: string; slide: string })[];
  alerts: { alert_id: string; code: string; priority: Priority; from: string; to: string | null }[];
  cannot_see: (Stretch & { why?: string })[];
  simulated?: boolean;
}

export interface DebriefAlert {
  alert_id: string;
  code: string;
  priority: Priority;
  aircraft: string;
  stand: string;
  door: string;
  raised_at: string;
  cleared_at: string | null;
  acknowledged_at: string | null;
  by: string | null;
  response_s: number | null;
  respond_within_s: number | null;
  in_time: boolean | null;
  text: string;
  action: string;
  drill?: boolean;
  simulated?: boolean;
  late?: boolean;
}

export interface ReadinessLane {
  aircraft: string;
  question: string;
  door: string | null;
  simulated?: boolean;
  spans: (Stretch & { verdict: Verdict | typeof NOT_ON_RECORD; stopped_by: string[] })[];
}

export interface Ways {
  median: number;
  usual: number | null;
  n: number;
}

export interface Trend {
  aircraft: string;
  door: string;
  cycles: number;
  opening_s: Ways | null;
  closing_s: Ways | null;
  dwell_s: Ways | null;
  simulated?: boolean;
}

/** Names and reasons are null for those who may only look. */
export interface ActionEntry {
  time: string;
  person: string | null;
  action: string;
  subject: string;
  reason: string | null;
}

/** A hazard that could not be seen at a place for a while, and for how long by which reason. */
export interface Unwatched {
  aircraft: string;
  door: string;
  code: string;
  deaf_minutes: number;
  reasons: Record<string, number>;
  simulated?: boolean;
}

/** GET /api/v1/debrief. */
export interface DebriefDocument {
  of: DebriefOf;
  simulated: boolean;
  cautions: string[];
  summary: Summary;
  timeline: DebriefLane[];
  procedures: ProcedureRun[];
  alerts: DebriefAlert[];
  readiness: ReadinessLane[];
  trends: Trend[];
  alarm_health?: AlarmHealth | null;
  not_watched?: Unwatched[];
  actions?: ActionEntry[];
}

interface Sides<T> {
  one: T;
  other: T;
}

export interface StepSide {
  state: string;
  at?: string | null;
  took_s?: number | null;
  limit_s?: number | null;
}

/** GET /api/v1/debrief/compare. */
export interface ComparedDocument {
  of: { kind: string; title: string; since: string; zone: string };
  simulated: boolean;
  cautions: string[];
  figures: ({ figure: string; text: string } & Sides<number | null>)[];
  response_s: Sides<{ median: number; worst: number } | null>;
  steps: ({ procedure: string; title: string; run: number; step: string; text: string } & Sides<StepSide | null>)[];
  alerts: ({ code: string; priority: Priority; worst_response_s: Sides<number | null> } & Sides<number>)[];
  trends: ({ door: string } & Sides<Omit<Trend, "aircraft" | "door"> | null>)[];
  drills: DebriefDocument[];
}

/** GET /api/v1/handover. */
export interface HandoverDocument {
  of: { title: string; since: string; zone: string };
  at: string;
  simulated: boolean;
  cautions: string[];
  broker_connected: boolean;
  open: AlertDocument[];
  shelved: AlertDocument[];
  suppressed: AlertDocument[];
  out_of_service: AlertDocument[];
  permits: (Omit<PermitDocument, "by" | "reason"> & { by: string | null; reason: string | null })[];
  drills: DrillDocument[];
  blind: { aircraft: string; stand: string; door: string; state: string; simulated?: boolean }[];
  deaf_to: { aircraft: string; door: string; why: string; codes: string[]; simulated?: boolean }[];
  feeds_lost: { aircraft: string; stand: string; presence: string; feed: string; last_message_at: string | null; simulated?: boolean }[];
  chattering: (Place & { episodes: number; most_in_window: number; raised: number })[];
  undelivered: { destination: string; waiting: number; dead: number }[] | null;
  aircraft: { aircraft: string; simulated?: boolean }[];
}
