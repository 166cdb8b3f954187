// What the service sends, as types: frames of the stream and answers of the API.
// Nothing is added to it here, and a word that is not known yet is shown as it is.

export type Priority = "warning" | "caution" | "advisory";
export type Verdict = "nothing seen against it" | "stopped by" | "cannot tell";

export interface DeafTo {
  code: string;
  why: string;
  signals: string[];
}

export interface Evidence {
  signal: string;
  value: unknown;
  quality: string;
  stale: boolean;
  time: string | null;
  received_at: string;
}

export interface AlertDocument {
  alert_id: string;
  code: string;
  priority: Priority;
  state: string;
  aircraft: string;
  stand: string;
  door: string;
  raised_at: string;
  changed_at: string;
  text: string;
  action: string;
  consequence: string;
  evidence: Evidence[];
  basis: string;
  role: string;
  respond_within_s: number | null;
  active: boolean;
  by?: string;
  reason?: string;
  shelved_until?: string;
  permit?: string;
  out_of_service_until?: string;
  escalated?: boolean;
  escalated_at?: string;
  on_no_screen?: boolean;
  late?: boolean;
  drill?: boolean;
  simulated?: boolean;
  blind?: boolean;
}

export interface DoorDocument {
  door: string;
  kind: string;
  state: string;
  since: string;
  slide: string;
  quality: string;
  presence: string;
  blind: boolean;
  deaf_to: DeafTo[];
  evidence: Evidence[];
  implausible?: boolean;
  simulated?: boolean;
  access?: string | null;
  barrier?: boolean | null;
  travel?: number | null;
}

export interface AircraftRow {
  aircraft: string;
  type: string | null;
  stand: string;
  presence: string;
  feed: string;
  simulated: boolean;
  door_states: Record<string, string>;
  alerts: Record<Priority, number>;
  last_message_at?: string | null;
  age_s?: number | null;
  clock_offset_s?: number | null;
  held: number;
  passengers_aboard?: number | null;
  differential_pressure_hpa?: number | null;
  refuelling?: boolean | null;
  engines_running?: number[] | null;
  deaf_to?: DeafTo[];
}

export interface DoorType {
  door: string;
  kind: string;
  side: "left" | "right" | "none";
  station: number;
  half: "fore" | "aft";
  sill_m: number | null;
  slide: boolean;
  exit: string | null;
  wind_moved_kt: number | null;
  wind_held_kt: number | null;
  access: string[];
  signals: string[];
}

export interface AirframeType {
  type: string;
  description: string;
  seats: number;
  engines: number[];
  doors: DoorType[];
}

export interface StandDocument {
  stand: string;
  wind_kt: number | null;
  gust_kt: number | null;
  wind_from_deg: number | null;
  why: Record<string, string>;
  received_at: string | null;
}

/** The newest proof that a lifted handle gets through to a board. */
export interface Proof {
  at: string | null;
  took_ms: number | null;
  /** How many were missed since the start; a frame does not say it. */
  missed?: number;
}

export interface Health {
  ready: boolean;
  reasons: string[];
  broker: { connected: boolean; reconnects: number; unacknowledged: number; backlog: number; dropped: number };
  journal: { healthy: boolean; depth: number };
  loop_lag_s: number;
  /** Null where proofs are off, and until the first. */
  proof?: Proof | null;
  instance: string;
  version: string;
  started: string;
  site: string;
  timezone: string;
}

/** An answer as it is retained: its verdict and what stops it or is wanting. */
export interface ShortAnswer {
  verdict: Verdict;
  reasons: string[];
  notes: string[];
}

export interface Condition {
  name: string;
  met: boolean | null;
  text: string;
  evidence: string[];
  why: string;
}

/** An answer of the API, whole. */
export interface Answer {
  verdict: Verdict;
  sentence: string;
  conditions: Condition[];
  notes: string[];
  deaf_to: string[];
}

export interface ReadinessDocument {
  aircraft: string;
  stand: string;
  doors: Record<string, ShortAnswer>;
  leave: ShortAnswer;
  board: ShortAnswer;
  refuel: ShortAnswer;
  exits: { usable: string[]; unknown: string[]; seats_usable: number; short: boolean | null };
  pressure: { below_limit: boolean | null; trend: string | null };
  simulated?: boolean;
}

export interface PermitDocument {
  permit_id: string;
  kind: string;
  aircraft: string;
  doors: string[];
  codes: string[];
  places: { door: string; code: string }[];
  reason: string;
  by: string;
  granted_at: string;
  until: string;
  seconds_left: number;
  /** What a drill is called, and the procedure it is held to. */
  name?: string | null;
  procedure?: string | null;
  simulated?: boolean;
}

export interface ProcedureStep {
  step: string;
  text: string;
  state: string;
  at?: string | null;
  took_s?: number | null;
  limit_s?: number | null;
  /** By when it has to be done, while it is not. */
  due_at?: string | null;
  /** Only a person's report can show it. */
  reported?: boolean;
  optional?: boolean;
}

export interface ProcedureCounts {
  taken: number;
  skipped: number;
  out_of_order: number;
  too_slow: number;
  forbidden: number;
  cannot_tell: number;
}

/** One run of a procedure at a door: the one that goes on, or the last one that was finished. */
export interface ProcedureRun {
  run_id: string;
  procedure: string;
  title: string;
  site: string;
  aircraft: string;
  stand: string;
  door: string;
  state: string;
  began_at: string;
  ended_at?: string | null;
  changed_at: string;
  elapsed_s?: number | null;
  /** What ended it before its end. */
  why?: string;
  /** The procedures that it may be, while that is not decided. */
  may_be?: string[];
  /** Steps that do not apply to this door. */
  left_out?: { step: string; text: string; why: string }[];
  steps?: ProcedureStep[];
  forbidden?: { rule: string; text: string; at: string }[];
  /** What must not be and could not be seen: whether it was, nobody can tell. */
  unseen?: { rule: string; text: string }[];
  counts?: Partial<ProcedureCounts>;
  drill?: { permit_id: string; name?: string | null; score?: { points: number; of: number; percent: number } | null } | null;
  simulated?: boolean;
  late?: boolean;
}

export interface EventDocument {
  aircraft: string;
  door: string;
  code: string;
  type: string;
  id: string;
  time: string;
  data: AlertDocument;
}

export interface Snapshot {
  site: string;
  timezone: string;
  now: string;
  health: Health;
  aircraft: (AircraftRow & { doors: Record<string, DoorDocument>; readiness?: ReadinessDocument | null; procedures?: ProcedureRun[] })[];
  alerts: AlertDocument[];
  types?: Record<string, AirframeType>;
  stands?: Record<string, StandDocument>;
  permits?: PermitDocument[];
}

export type Frame =
  | { name: "snapshot"; data: Snapshot }
  | { name: "aircraft"; data: { aircraft: string; document: AircraftRow | null } }
  | { name: "door"; data: { aircraft: string; door: string; document: DoorDocument | null } }
  | { name: "active"; data: { aircraft: string; door: string; code: string; document: AlertDocument | null } }
  | { name: "readiness"; data: { aircraft: string; document: ReadinessDocument | null } }
  | { name: "stand"; data: { stand: string; document: StandDocument | null } }
  | { name: "permits"; data: { permits: PermitDocument[] } }
  | { name: "procedure"; data: { aircraft: string; door: string; document: ProcedureRun | null } }
  | { name: "event"; data: EventDocument }
  | { name: "proof"; data: Proof }
  | { name: "beat"; data: { now: string; health: Health; heard: Record<string, string | null> } };

export const FRAME_NAMES: readonly Frame["name"][] = [
  "snapshot",
  "aircraft",
  "door",
  "active",
  "readiness",
  "stand",
  "permits",
  "procedure",
  "event",
  "proof",
  "beat",
];
