// Which alerts sound, and which news of them are said. Decides only; makes no sound and says nothing.

import type { AlertDocument, Priority } from "../wire.ts";
import { compareAlerts, rankOf } from "./order.ts";

/** How long one touch silences what sounds, at most. */
export const MUTE_MS = 60_000;

/** An alert that nobody has, for real and for now: not an exercise, and not told late by a backlog. */
const callsForSomebody = (alert: AlertDocument): boolean =>
  alert.state === "unacknowledged" && alert.drill !== true && alert.late !== true;

/**
 * What sounds: the warnings that call for somebody, each by its alert id and when it went to the next role,
 * so that an escalation counts as another call.
 */
export function listSounding(alerts: Iterable<AlertDocument>): Set<string> {
  const calls = new Set<string>();
  for (const alert of alerts) {
    if (alert.priority === "warning" && callsForSomebody(alert)) calls.add(`${alert.alert_id} ${alert.escalated_at ?? ""}`);
  }
  return calls;
}

export interface Mute {
  /** ms since 1970. */
  until: number;
  /** What sounded when it was asked for; anything else breaks it. */
  covers: ReadonlySet<string>;
}

/** A mute as it still holds: not after its end, and never over a warning that came after it. */
export function holdMute(mute: Mute | null, sounding: ReadonlySet<string>, now: number): Mute | null {
  if (mute === null || now >= mute.until || mute.until - now > MUTE_MS) return null;
  for (const call of sounding) if (!mute.covers.has(call)) return null;
  return mute;
}

interface Heard {
  priority: Priority;
  escalatedAt: string;
}

/** What was said so far of the alerts that still call, by alert id. */
export type HeardAlerts = ReadonlyMap<string, Heard>;

export interface Piece {
  kind: "new" | "escalated";
  alert: AlertDocument;
}

export interface News {
  heard: HeardAlerts;
  /** Most urgent first. Advisories are never said. */
  pieces: Piece[];
}

/** What there is to say after a change, each thing once: what is new or worse, and what went to the next role. */
export function findNews(before: HeardAlerts, alerts: Iterable<AlertDocument>): News {
  const heard = new Map<string, Heard>();
  const pieces: Piece[] = [];
  for (const alert of alerts) {
    if (!callsForSomebody(alert) || rankOf(alert.priority) > 1) continue;
    const said = before.get(alert.alert_id);
    const escalatedAt = alert.escalated_at ?? "";
    heard.set(alert.alert_id, { priority: alert.priority, escalatedAt });
    if (said === undefined || rankOf(alert.priority) < rankOf(said.priority)) pieces.push({ kind: "new", alert });
    else if (escalatedAt !== "" && escalatedAt !== said.escalatedAt) pieces.push({ kind: "escalated", alert });
  }
  pieces.sort((a, b) => Number(a.kind === "escalated") - Number(b.kind === "escalated") || compareAlerts(a.alert, b.alert));
  return { heard, pieces };
}

interface Tone {
  /** s */
  from: number;
  hz: number;
}

const TONES: readonly Tone[] = [
  { from: 0, hz: 880 },
  { from: 0.22, hz: 620 },
];
const TONE_S = 0.18;
const EDGE_S = 0.012;
/** The pattern repeats after this long. */
export const PATTERN_S = 2;

/** One period of the pattern: two falling tones, then quiet, with soft edges so that it does not crack. */
export const makePattern = (samplesPerSecond: number): Float32Array<ArrayBuffer> => make(TONES, samplesPerSecond);

/** What is heard once when the page is no longer live: four low tones, all alike, so that it is no warning. */
export const makeDeaf = (samplesPerSecond: number): Float32Array<ArrayBuffer> =>
  make([0, 0.3, 0.6, 0.9].map((from) => ({ from, hz: 330 })), samplesPerSecond);

function make(tones: readonly Tone[], samplesPerSecond: number): Float32Array<ArrayBuffer> {
  const samples = new Float32Array(Math.round(PATTERN_S * samplesPerSecond));
  for (const { from, hz } of tones) {
    const first = Math.round(from * samplesPerSecond);
    const count = Math.round(TONE_S * samplesPerSecond);
    for (let each = 0; each < count; each++) {
      const at = each / samplesPerSecond;
      const edge = Math.min(1, at / EDGE_S, (TONE_S - at) / EDGE_S);
      // A second harmonic carries over engine noise where the fundamental alone drowns.
      const wave = 0.75 * Math.sin(2 * Math.PI * hz * at) + 0.25 * Math.sin(4 * Math.PI * hz * at);
      samples[first + each] = Math.max(0, edge) * wave;
    }
  }
  return samples;
}
