// The picture that the stream has told so far, and nothing else. Frames are taken at once;
// what is drawn is replaced once a display frame, an aircraft at a time, so that fifty
// changes a second redraw fifty aircraft's lines and not two hundred.

import { batch, signal, type Signal } from "@preact/signals";
import type {
  AircraftRow,
  AirframeType,
  AlertDocument,
  DoorDocument,
  EventDocument,
  Frame,
  Health,
  PermitDocument,
  ProcedureRun,
  Proof,
  ReadinessDocument,
  StandDocument,
} from "../wire.ts";

/** One aircraft as it is now: a new object whenever anything of it changed. */
export interface AircraftView {
  row: AircraftRow;
  doors: ReadonlyMap<string, DoorDocument>;
  alerts: readonly AlertDocument[];
  readiness: ReadinessDocument | null;
  /** The run of a procedure at each door that has one. */
  procedures: ReadonlyMap<string, ProcedureRun>;
  heard: string | null;
}

interface Held {
  row: AircraftRow;
  doors: Map<string, DoorDocument>;
  readiness: ReadinessDocument | null;
  procedures: Map<string, ProcedureRun>;
  heard: string | null;
}

/** The name of an alert's place: its alert id changes each time it is raised. */
export const placeOf = (alert: { aircraft: string; door: string; code: string }): string =>
  `${alert.aircraft}|${alert.door}|${alert.code}`;

export class Model {
  /** Every aircraft's registration, sorted. */
  readonly registrations: Signal<readonly string[]> = signal([]);
  /** Every alert that is not normal, by place. */
  readonly alerts: Signal<ReadonlyMap<string, AlertDocument>> = signal(new Map());
  readonly types: Signal<Readonly<Record<string, AirframeType>>> = signal({});
  readonly stands: Signal<ReadonlyMap<string, StandDocument>> = signal(new Map());
  readonly permits: Signal<readonly PermitDocument[]> = signal([]);
  readonly health: Signal<Health | null> = signal(null);
  readonly proof: Signal<Proof | null> = signal(null);
  readonly site: Signal<string> = signal("");
  readonly timezone: Signal<string> = signal("UTC");
  /** The newest lifecycle events that came while this page was open, newest first. */
  readonly events: Signal<readonly EventDocument[]> = signal([]);
  /** The service's clock less ours, ms, from the newest frame that told it. */
  readonly clockOffset: Signal<number> = signal(0);

  private readonly held = new Map<string, Held>();
  private readonly heldAlerts = new Map<string, AlertDocument>();
  private readonly heldStands = new Map<string, StandDocument>();
  private readonly views = new Map<string, Signal<AircraftView | null>>();
  private readonly dirty = new Set<string>();
  private alertsDirty = false;
  private standsDirty = false;
  private newEvents: EventDocument[] = [];

  /** The signal of one aircraft; null while it is not known. */
  view(registration: string): Signal<AircraftView | null> {
    let view = this.views.get(registration);
    if (view === undefined) {
      view = signal(this.makeView(registration));
      this.views.set(registration, view);
    }
    return view;
  }

  /** Take one frame. `wall` is our own clock (ms) at its receipt. Nothing is drawn until `publish`. */
  take(frame: Frame, wall: number): void {
    switch (frame.name) {
      case "snapshot": {
        const { data } = frame;
        for (const registration of this.held.keys()) this.dirty.add(registration);
        this.held.clear();
        this.heldAlerts.clear();
        this.heldStands.clear();
        for (const { doors, readiness, procedures, ...row } of data.aircraft) {
          this.held.set(row.aircraft, {
            row,
            doors: new Map(Object.entries(doors)),
            readiness: readiness ?? null,
            procedures: new Map((procedures ?? []).map((run) => [run.door, run])),
            heard: row.last_message_at ?? null,
          });
          this.dirty.add(row.aircraft);
        }
        for (const alert of data.alerts) this.heldAlerts.set(placeOf(alert), alert);
        for (const stand of Object.values(data.stands ?? {})) this.heldStands.set(stand.stand, stand);
        this.alertsDirty = this.standsDirty = true;
        batch(() => {
          this.site.value = data.site;
          this.timezone.value = data.timezone;
          this.health.value = data.health;
          this.proof.value = data.health.proof ?? null;
          this.types.value = data.types ?? {};
          this.permits.value = data.permits ?? [];
          this.clockOffset.value = Date.parse(data.now) - wall;
        });
        break;
      }
      case "aircraft": {
        const { aircraft, document } = frame.data;
        const held = this.held.get(aircraft);
        if (document === null) this.held.delete(aircraft);
        else if (held !== undefined) held.row = document;
        else this.held.set(aircraft, { row: document, doors: new Map(), readiness: null, procedures: new Map(), heard: null });
        this.dirty.add(aircraft);
        break;
      }
      case "door": {
        const { aircraft, door, document } = frame.data;
        const held = this.held.get(aircraft);
        if (held === undefined) break;
        if (document === null) held.doors.delete(door);
        else held.doors.set(door, document);
        this.dirty.add(aircraft);
        break;
      }
      case "active": {
        const { aircraft, document } = frame.data;
        if (document === null) this.heldAlerts.delete(placeOf(frame.data));
        else this.heldAlerts.set(placeOf(frame.data), document);
        this.alertsDirty = true;
        this.dirty.add(aircraft);
        break;
      }
      case "readiness": {
        const held = this.held.get(frame.data.aircraft);
        if (held === undefined) break;
        held.readiness = frame.data.document;
        this.dirty.add(frame.data.aircraft);
        break;
      }
      case "stand": {
        const { stand, document } = frame.data;
        if (document === null) this.heldStands.delete(stand);
        else this.heldStands.set(stand, document);
        this.standsDirty = true;
        break;
      }
      case "procedure": {
        const { aircraft, door, document } = frame.data;
        const held = this.held.get(aircraft);
        if (held === undefined) break;
        if (document === null) held.procedures.delete(door);
        else held.procedures.set(door, document);
        this.dirty.add(aircraft);
        break;
      }
      case "permits":
        this.permits.value = frame.data.permits;
        break;
      case "event":
        this.newEvents.push(frame.data);
        break;
      case "proof":
        this.proof.value = frame.data;
        break;
      case "beat": {
        const { now, health, heard } = frame.data;
        for (const [registration, at] of Object.entries(heard)) {
          const held = this.held.get(registration);
          if (held !== undefined && held.heard !== at) {
            held.heard = at;
            this.dirty.add(registration);
          }
        }
        this.health.value = health;
        this.proof.value = health.proof ?? null;
        this.clockOffset.value = Date.parse(now) - wall;
        break;
      }
    }
  }

  /** Draw what changed since the last time. */
  publish(): void {
    const dirty = [...this.dirty];
    const { alertsDirty, standsDirty } = this;
    // First, so that what cannot be drawn is not drawn again with every change of something else.
    this.dirty.clear();
    this.alertsDirty = this.standsDirty = false;
    batch(() => {
      if (alertsDirty) this.alerts.value = new Map(this.heldAlerts);
      if (standsDirty) this.stands.value = new Map(this.heldStands);
      let came = false;
      for (const registration of dirty) {
        const view = this.view(registration);
        came ||= (view.peek() === null) !== !this.held.has(registration);
        view.value = this.makeView(registration);
      }
      const shown = this.registrations.peek();
      if (came || shown.length !== this.held.size || shown.some((each) => !this.held.has(each))) {
        this.registrations.value = [...this.held.keys()].sort();
      }
      if (this.newEvents.length > 0) {
        this.events.value = [...this.newEvents.reverse(), ...this.events.peek()].slice(0, EVENTS_MAX);
        this.newEvents = [];
      }
    });
  }

  private makeView(registration: string): AircraftView | null {
    const held = this.held.get(registration);
    if (held === undefined) return null;
    const alerts: AlertDocument[] = [];
    for (const alert of this.heldAlerts.values()) if (alert.aircraft === registration) alerts.push(alert);
    return { ...held, doors: new Map(held.doors), procedures: new Map(held.procedures), alerts };
  }
}

const EVENTS_MAX = 200;

export const model: Model = new Model();
