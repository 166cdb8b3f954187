// What the bench's server tells: a picture in parts, each sent anew when it changes. Everything in it is simulated.

export type Value = boolean | number | string;

/** One sensor: what is true, what it last said, and what ails it. */
export interface Reading {
  key: string;
  signal: string;
  true: Value | null;
  said: Value | null;
  quality: string | null;
  faults: Fault[];
}

export interface Fault {
  fault: string;
  amount: Value | null;
}

/** A fault that a sensor can be given, and what belongs to it. */
export interface FaultKind {
  fault: string;
  /** What has to be said with it: nothing, a number, or a value of the reading's own kind. */
  amount: "none" | "number" | "value";
  unit: string;
  usual: number | null;
}

export interface BenchPart {
  site: string;
  aircraft: string;
  type: string;
  description: string;
  stand: string;
  seats: number;
  begun: boolean;
  broker: string;
  connected: boolean;
  faults: FaultKind[];
  simulated: true;
}

export interface WindPart {
  mean_kt: number;
  gust_kt: number;
  now_kt: number;
  gust_now_kt: number;
}

export interface AircraftPart {
  readings: Reading[];
  switches: Record<string, boolean>;
  engines: Record<string, { side: string; wanted: boolean; running: boolean }>;
  power: "on" | "off";
  pressure_hpa: number;
  air: boolean;
  outflow_open: boolean;
  aboard: number;
  wanted: number;
  wind: WindPart;
  silent: boolean;
  clock_ahead_s: number;
}

export interface Mechanism {
  handle: number;
  outside: number;
  flap: boolean;
  leaf: number;
  in_frame: boolean;
  hold_open: boolean;
  cover: boolean;
  selector: "open" | "neutral" | "close";
  actuator_bar: number;
  pumped: boolean;
  access: string;
  barrier: boolean;
}

export interface Slide {
  lever: number;
  engaged: boolean;
  left: boolean;
  right: boolean;
  pin: boolean;
  jam_left: boolean;
  jam_right: boolean;
  always_armed: boolean;
  released: boolean;
  erect: boolean;
  detached: boolean;
  handle_pulled: boolean;
  bottle_share: number;
}

export interface DoorPart {
  door: string;
  kind: string;
  side: "left" | "right" | null;
  sill_m: number;
  state: string;
  mechanism: Mechanism;
  slide: Slide | null;
  powered: boolean;
  hold_open_lock: boolean;
  /** Orders of the scenario language that make sense at this door now. */
  troubles: { do: string; on: boolean }[];
  marks: string[];
  readings: Reading[];
}

export interface Alert {
  alert_id: string;
  code: string;
  door: string;
  priority: "warning" | "caution" | "advisory";
  state: string;
  text: string;
  action: string;
}

/** A run of a procedure at a door: the one that goes on, or the last one. */
export interface Run {
  run_id: string;
  title: string;
  state: string;
  done: number;
  of: number;
  /** The texts of the steps that are due. */
  due: string[];
  troubles: { what: string; text: string }[];
}

export interface MonitorPart {
  heard: boolean;
  doors: Record<string, { state: string | null; slide: string | null; quality: string | null }>;
  alerts: Alert[];
  runs: Record<string, Run>;
}

export interface Picture {
  bench: BenchPart | null;
  aircraft: AircraftPart | null;
  monitor: MonitorPart | null;
  doors: Record<string, DoorPart>;
  /** Door names, nose to tail. */
  order: string[];
}
