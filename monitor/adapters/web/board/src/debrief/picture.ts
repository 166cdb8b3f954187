// From a debrief's lines of time to what its picture draws: bands of state, alerts, and what could not be seen. Owns which
// doors are drawn and which are only named; draws nothing, says nothing and asks no clock. All times are in ms.

import { stackAlerts, type AlertSpan, type Band, type BandKind, type Window } from "../aircraft/bands.ts";
import type { TimelineAlert } from "../aircraft/documents.ts";
import type { DebriefAlert, DebriefDocument, DebriefLane, ReadinessLane, Stretch } from "./documents.ts";

export interface Piece {
  from: number;
  to: number;
}

export interface PictureLane {
  name: string;
  kind: string;
  bands: Band[];
  spans: AlertSpan[];
  unseen: Piece[];
}

export interface PictureGroup {
  aircraft: string;
  lanes: PictureLane[];
  /** Doors of which nothing is to be drawn: they stood as they were, all the while. */
  still: { name: string; state: string }[];
}

/** Whether everything in a debrief is simulated. The document itself says only whether anything is; the site's own line is of no aircraft. */
export function isSimulated(document: DebriefDocument): boolean {
  const lanes = document.timeline.filter((lane) => lane.aircraft !== "-");
  return document.simulated && lanes.every((lane) => lane.simulated === true);
}

/** Words that stand for a door's state where none is on record. */
const GAPS: Readonly<Record<string, BandKind>> = { "not-recorded": "not-recorded", "not-here": "not-recorded", "not-running": "not-running" };

/** A stretch inside a window; null where nothing of it is. */
function cut(stretch: Stretch, window: Window): Piece | null {
  const from = Math.max(window.since, Date.parse(stretch.from));
  const to = Math.min(window.until, Date.parse(stretch.to));
  return to > from ? { from, to } : null;
}

/** The window of a debrief. */
export function windowOf(document: DebriefDocument): Window {
  const since = Date.parse(document.of.since);
  const until = Math.max(Date.parse(document.of.until), since + 1);
  return { since, until, proved: until };
}

/** The bands of a line, in order; what is not on record between them is a band of its own. */
export function listBands(lane: DebriefLane, window: Window): Band[] {
  const bands: Band[] = [];
  let reached = window.since;
  const gap = (until: number): void => {
    if (until > reached) bands.push({ kind: "not-recorded", state: "", slide: "", since: reached, from: reached, to: until });
  };
  for (const each of lane.states) {
    const piece = cut(each, window);
    if (piece === null) continue;
    gap(piece.from);
    const kind = GAPS[each.state] ?? "state";
    bands.push({ kind, state: kind === "state" ? each.state : "", slide: each.slide, since: Date.parse(each.from), ...piece });
    reached = piece.to;
  }
  // An aircraft as a whole has no states that could be missing.
  if (lane.states.length > 0 || lane.door !== "-") gap(window.until);
  return bands;
}

function listChanges(alert: DebriefLane["alerts"][number], whole: DebriefAlert | undefined): TimelineAlert["changes"] {
  const change = (at: string | null | undefined, type: string): TimelineAlert["changes"] =>
    at == null ? [] : [{ at, type, priority: alert.priority, state: "" }];
  return [
    ...change(alert.from, "raised"),
    ...change(whole?.acknowledged_at, "acknowledged"),
    ...change(whole?.cleared_at, "cleared"),
  ].sort((a, b) => Date.parse(a.at) - Date.parse(b.at));
}

/** Whether a line shows anything: a change, an alert, or a while in which nobody could see. */
const stirs = (lane: PictureLane): boolean =>
  lane.spans.length > 0 || lane.unseen.length > 0 || new Set(lane.bands.map((band) => `${band.kind}${band.state}`)).size > 1;

/** The lines of each aircraft, in the service's order; `apart` (ms) is how much room a mark takes. */
export function makePicture(document: DebriefDocument, apart: number): PictureGroup[] {
  const window = windowOf(document);
  const alerts = new Map(document.alerts.map((alert) => [alert.alert_id, alert]));
  const groups = new Map<string, PictureGroup>();
  for (const lane of document.timeline) {
    const group = groups.get(lane.aircraft) ?? { aircraft: lane.aircraft, lanes: [], still: [] };
    groups.set(lane.aircraft, group);
    const told = lane.alerts.map((alert): TimelineAlert => {
      const whole = alerts.get(alert.alert_id);
      return {
        alert_id: alert.alert_id,
        code: alert.code,
        door: lane.door,
        priority: alert.priority,
        raised_at: alert.from,
        ended_at: alert.to,
        text: whole?.text ?? alert.code.replaceAll("-", " "),
        changes: listChanges(alert, whole),
      };
    });
    const drawn: PictureLane = {
      name: lane.door,
      kind: lane.kind,
      bands: listBands(lane, window),
      spans: stackAlerts(told, lane.door, window, apart),
      unseen: lane.cannot_see.flatMap((each) => cut(each, window) ?? []),
    };
    const only = drawn.bands[0];
    if (stirs(drawn)) group.lanes.push(drawn);
    else if (lane.door !== "-") {
      group.still.push({ name: lane.door, state: only === undefined || only.kind !== "state" ? "" : only.state });
    }
  }
  return [...groups.values()];
}

type Told = ReadinessLane["spans"][number]["verdict"];

export interface AnswerBand extends Piece {
  verdict: Told;
  why: string[];
}

/** The answers to one question as bands inside a window. */
export const listAnswers = (lane: ReadinessLane, window: Window): AnswerBand[] =>
  lane.spans.flatMap((span) => {
    const piece = cut(span, window);
    return piece === null ? [] : [{ ...piece, verdict: span.verdict, why: span.stopped_by }];
  });

/** What a question was answered with, how long in all, ms; the answers that never came are left out. */
export function sumAnswers(bands: readonly AnswerBand[]): [Told, number][] {
  const sums = new Map<Told, number>();
  for (const band of bands) sums.set(band.verdict, (sums.get(band.verdict) ?? 0) + band.to - band.from);
  return [...sums.entries()].sort((a, b) => b[1] - a[1]);
}
