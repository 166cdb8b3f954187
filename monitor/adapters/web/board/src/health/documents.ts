// What the service answers about itself and about its alarms, as types. Whatever may be wanting is optional.

import type { Health } from "../wire.ts";

export type Band = "acceptable" | "manageable" | "above";
export type Rate = "per_10_minutes" | "per_hour" | "per_day";

export interface Place {
  aircraft: string;
  door: string;
  code: string;
  simulated?: boolean;
}

export interface Figures {
  raised: number;
  /** How many of them were of simulated aircraft. */
  simulated?: number;
  per_10_minutes: { mean: number; peak: number; peak_at: string | null };
  per_hour: number;
  per_day: number;
  bands?: Readonly<Record<Rate, Band>>;
  band?: Band;
  floods: {
    number: number;
    time_s: number;
    time_ratio: number;
    meets_target: boolean;
    newest: { began_at: string; ended_at: string | null }[];
  };
  chattering: {
    number: number;
    meets_target: boolean;
    worst: (Place & { episodes: number; most_in_window: number; raised: number; last_at: string })[];
  };
  priorities: Readonly<Record<string, { raised: number; share: number | null }>>;
  worst_ten: {
    share: number | null;
    meets_target: boolean | null;
    alarms: (Place & { raised: number; share: number | null })[];
  };
}

/** GET /api/v1/alarm-health. */
export interface AlarmHealth {
  since: string;
  until: string;
  length_s: number;
  shorter_than_30_days: boolean;
  recorded_from: string;
  overall: Figures;
  roles: Readonly<Record<string, Figures>>;
  left_out: Readonly<Record<string, number>>;
  chattering_is: { times: number; within_s: number };
  bands: Readonly<Record<Rate, { acceptable: number; manageable: number }>>;
  targets: {
    flood_time_ratio_below: number;
    chattering: number;
    stale_below: number;
    worst_ten_share_at_most: number;
    priority_shares: Readonly<Record<string, number>>;
  };
  sources: string[];
  stale: {
    number: number;
    meets_target: boolean;
    by_role: Readonly<Record<string, number>>;
    alerts: (Place & { alert_id: string; role: string; priority: string; state: string; raised_at: string })[];
  };
  floods_now: Readonly<Record<string, string | null>>;
}

/** GET /api/v1/audit/verify. */
export interface AuditVerdict {
  whole: boolean;
  items: number;
  first_broken: number | null;
  head: { number: number; hash: string };
}

/** GET /api/v1/deliveries. */
export interface Deliveries {
  destinations: {
    name: string;
    kind: string;
    state: string;
    waiting: number;
    dead: number;
    last_delivered_at: string | null;
    last_error: string | null;
  }[];
}

export interface Durations {
  p50: number | null;
  p95: number | null;
  p99: number | null;
  max: number | null;
  count: number;
}

export interface SenderRow {
  aircraft: string;
  stand: string;
  presence: string;
  feed: string;
  clock_offset_s: number | null;
  heartbeat: number | null;
  heartbeat_age_s: number | null;
  last_message_age_s: number | null;
  messages_per_s: number | null;
  simulated?: boolean;
}

export interface BoardRow {
  board: string;
  name: string;
  page: string;
  visible: boolean;
  sound: boolean;
  drawn: number;
  since: string;
  heard_at: string;
}

/** GET /api/v1/health. */
export interface ServiceHealth {
  now: string;
  service: Health;
  rates?: Readonly<Record<string, Readonly<Record<string, number>>>>;
  latency_ms?: Readonly<Record<string, Durations>>;
  dropped?: Readonly<Record<string, number>>;
  rejected?: Readonly<Record<string, number>>;
  senders?: SenderRow[];
  boards?: BoardRow[];
  stream?: { clients: number; resyncs: number };
}

export interface QuarantineItem {
  at: string;
  reason: string;
  topic: string;
  detail: string;
  size: number;
  payload?: string;
  payload_base64?: string;
  simulated?: boolean;
}

/** GET /api/v1/quarantine. */
export interface QuarantinePage {
  items: QuarantineItem[];
  next: string | null;
}
