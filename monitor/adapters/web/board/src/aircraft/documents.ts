// What the service answers about one aircraft, as types. Nothing is added to it here.

import type { Answer, AircraftRow, AlertDocument, DeafTo, DoorDocument, PermitDocument, Priority } from "../wire.ts";

export interface SignalDocument {
  value: unknown;
  quality: string;
  known: boolean;
  why: string | null;
  time: string | null;
  received_at: string;
  age_s: number;
}

export interface ReportDocument {
  value: boolean | string;
  by: string;
  at: string;
  agrees: boolean | null;
  age_s?: number;
}

export type WholeDoor = DoorDocument & {
  reports: Record<string, ReportDocument>;
  implausible_jumps: number;
  signals: Record<string, SignalDocument>;
};

export interface ExitDocument {
  usable: boolean | null;
  by: string;
  reasons: string[];
  notes: string[];
  evidence: string[];
}

export interface ExitsDocument {
  usable: string[];
  unknown: string[];
  unusable: string[];
  seats_usable: number;
  seats_possible: number;
  people: number | null;
  short: boolean | null;
  sentence: string;
  refuelling: { met: boolean | null; exits_min: number; both_halves: boolean };
  doors: Record<string, ExitDocument>;
}

export interface PressureDocument {
  now_hpa: number | null;
  limit_hpa: number;
  below_limit: boolean | null;
  trend: string;
  below_limit_in_s: number | null;
  below_limit_low_s: number | null;
  below_limit_high_s: number | null;
  sentence: string;
  doors: Record<string, { limit_hpa: number; force_n: number | null }>;
}

export interface WindDoor {
  limit_moved_kt: number | null;
  limit_held_kt: number | null;
  load_n: number | null;
  load_at_moved_limit_n: number | null;
  load_at_held_limit_n: number | null;
}

export interface WindDocument {
  wind_kt: number | null;
  dynamic_pressure_pa: number | null;
  air_density_kg_m3: number;
  doors: Record<string, WindDoor>;
}

export type WholeAircraft = Omit<AircraftRow, "alerts"> & {
  alerts: AlertDocument[];
  type_description: string | null;
  seats: number | null;
  signals: Record<string, SignalDocument>;
  doors: Record<string, WholeDoor>;
  readiness: { doors: Record<string, Answer>; leave: Answer; board: Answer; refuel: Answer };
  exits: ExitsDocument;
  pressure: PressureDocument;
  wind: WindDocument;
  permits: PermitDocument[];
  held_readings: { count: number; dropped: number };
};

export interface Period {
  since: string;
  until: string;
}

export interface TimelineEntry {
  at: string;
  state: string;
  slide: string;
}

export interface TimelineAlert {
  alert_id: string;
  code: string;
  door: string;
  priority: Priority;
  raised_at: string;
  ended_at: string | null;
  text: string;
  changes: { at: string; type: string; priority: Priority; state: string; by?: string }[];
}

export interface TimelineDocument {
  aircraft: string;
  since: string;
  until: string;
  recorded_from: string | null;
  /** Nothing is told before this moment, because there was too much. */
  cut?: string | null;
  doors: Record<string, TimelineEntry[]>;
  alerts: TimelineAlert[];
  monitor_not_running: Period[];
}

export interface CurvePoint {
  at: string;
  value: number | null;
}

export interface CurvesDocument {
  aircraft: string;
  stand: string;
  since: string;
  differential_pressure_hpa: CurvePoint[];
  wind_kt: CurvePoint[];
  gust_kt: CurvePoint[];
}

export interface ForeseenAlert {
  code: string;
  door: string;
  priority: Priority;
  after_s: number;
  text: string;
  action: string;
}

export interface LookAheadAction {
  action: string;
  text: string;
  state: string;
  states: string[];
  alerts: ForeseenAlert[];
  ends: { code: string; door: string }[];
}

export interface LookAheadDocument {
  aircraft: string;
  door: string;
  at: string;
  state: string;
  horizon_s: number;
  deaf_to: DeafTo[];
  advisory: string;
  cannot_tell: string | null;
  if_nothing_is_done: ForeseenAlert[];
  actions: LookAheadAction[];
}

export interface HazardWatch {
  watched_minutes: number;
  deaf_minutes: number;
  not_known_minutes: number;
  reasons: Record<string, number>;
}

export interface WatchedDocument {
  aircraft: string;
  since: string;
  until: string;
  minutes: number;
  monitor_not_running: Period[];
  doors: Record<string, Record<string, HazardWatch>>;
}
