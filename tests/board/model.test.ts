// The picture that the stream tells: frames in, one new object for each aircraft that changed, and no other.

import assert from "node:assert/strict";
import { test } from "node:test";
import { type AircraftView, Model, placeOf } from "../../monitor/adapters/web/board/src/live/model.ts";
import type {
  AircraftRow,
  AlertDocument,
  DoorDocument,
  EventDocument,
  Frame,
  Health,
  ReadinessDocument,
  Snapshot,
  StandDocument,
} from "../../monitor/adapters/web/board/src/wire.ts";

const NOW = "2026-03-01T10:15:00.000Z";
const WALL = Date.parse("2026-03-01T10:14:57.000Z");

const health = (parts: Partial<Health> = {}): Health => ({
  ready: true,
  reasons: [],
  broker: { connected: true, reconnects: 0, unacknowledged: 0, backlog: 0, dropped: 0 },
  journal: { healthy: true, depth: 0 },
  loop_lag_s: 0.001,
  instance: "one",
  version: "1",
  started: NOW,
  site: "tarnwick",
  timezone: "UTC",
  ...parts,
});

const row = (aircraft: string, parts: Partial<AircraftRow> = {}): AircraftRow => ({
  aircraft,
  type: "alder",
  stand: "S12",
  presence: "present",
  feed: "live",
  simulated: false,
  door_states: {},
  alerts: { warning: 0, caution: 0, advisory: 0 },
  held: 0,
  ...parts,
});

const door = (name: string, state: string): DoorDocument => ({
  door: name,
  kind: "cabin",
  state,
  since: NOW,
  slide: "disengaged",
  quality: "good",
  presence: "present",
  blind: state === "unknown",
  deaf_to: [],
  evidence: [],
});

const alert = (aircraft: string, name: string, code: string, parts: Partial<AlertDocument> = {}): AlertDocument => ({
  alert_id: `${aircraft}-${name}-${code}`,
  code,
  priority: "warning",
  state: "unacknowledged",
  aircraft,
  stand: "S12",
  door: name,
  raised_at: NOW,
  changed_at: NOW,
  text: "The handle was moved with the slide engaged.",
  action: "Stop.",
  consequence: "The slide may deploy.",
  evidence: [],
  basis: "common practice",
  role: "coordinator",
  respond_within_s: 10,
  active: true,
  ...parts,
});

const snapshot = (parts: Partial<Snapshot> = {}): Frame => ({
  name: "snapshot",
  data: {
    site: "tarnwick",
    timezone: "UTC",
    now: NOW,
    health: health(),
    aircraft: [
      { ...row("ZZ-OLM"), doors: { L1: door("L1", "ajar") } },
      { ...row("ZZ-KAT"), last_message_at: NOW, doors: { L1: door("L1", "armed"), R1: door("R1", "unknown") } },
    ],
    alerts: [alert("ZZ-OLM", "L1", "unsecured-leaf")],
    ...parts,
  },
});

function shown(...frames: Frame[]): Model {
  const model = new Model();
  for (const frame of frames) model.take(frame, WALL);
  model.publish();
  return model;
}

test("a snapshot is the whole picture", () => {
  const model = shown(snapshot());
  assert.deepEqual(model.registrations.value, ["ZZ-KAT", "ZZ-OLM"]);
  assert.equal(model.site.value, "tarnwick");
  assert.equal(model.clockOffset.value, 3_000);
  const view = model.view("ZZ-KAT").value;
  assert.equal(view?.doors.get("L1")?.state, "armed");
  assert.equal(view?.heard, NOW);
  assert.deepEqual(view?.alerts, []);
  assert.equal(model.view("ZZ-OLM").value?.alerts.length, 1);
  assert.equal(model.view("ZZ-ZIP").value, null);
});

test("nothing is drawn before it is published", () => {
  const model = shown(snapshot());
  const before = model.view("ZZ-KAT").value;
  model.take({ name: "door", data: { aircraft: "ZZ-KAT", door: "L1", document: door("L1", "open") } }, WALL);
  assert.equal(model.view("ZZ-KAT").value, before);
  model.publish();
  assert.equal(model.view("ZZ-KAT").value?.doors.get("L1")?.state, "open");
  assert.equal(before?.doors.get("L1")?.state, "armed", "what was drawn does not change under whoever draws it");
});

test("only the aircraft that changed is drawn anew", () => {
  const model = shown(snapshot());
  const [kat, olm, alerts, list] = [model.view("ZZ-KAT").value, model.view("ZZ-OLM").value, model.alerts.value, model.registrations.value];
  model.take({ name: "door", data: { aircraft: "ZZ-KAT", door: "R1", document: door("R1", "open") } }, WALL);
  model.publish();
  assert.notEqual(model.view("ZZ-KAT").value, kat);
  assert.equal(model.view("ZZ-OLM").value, olm);
  assert.equal(model.alerts.value, alerts);
  assert.equal(model.registrations.value, list);
});

test("a second snapshot leaves nothing of the first", () => {
  const model = shown(snapshot());
  model.take(snapshot({ aircraft: [{ ...row("ZZ-NEW"), doors: {} }], alerts: [], health: health({ ready: false, reasons: ["no broker"] }) }), WALL);
  model.publish();
  assert.deepEqual(model.registrations.value, ["ZZ-NEW"]);
  assert.equal(model.view("ZZ-KAT").value, null);
  assert.equal(model.alerts.value.size, 0);
  assert.deepEqual(model.health.value?.reasons, ["no broker"]);
});

test("an aircraft comes, changes its row and goes; its doors stay over a change of the row", () => {
  const model = shown(snapshot());
  const tev = (): AircraftView | null => model.view("ZZ-TEV").value;
  assert.equal(tev(), null);
  model.take({ name: "aircraft", data: { aircraft: "ZZ-TEV", document: row("ZZ-TEV") } }, WALL);
  model.take({ name: "door", data: { aircraft: "ZZ-TEV", door: "L1", document: door("L1", "open") } }, WALL);
  model.publish();
  assert.deepEqual(model.registrations.value, ["ZZ-KAT", "ZZ-OLM", "ZZ-TEV"]);
  model.take({ name: "aircraft", data: { aircraft: "ZZ-TEV", document: row("ZZ-TEV", { stand: "S14" }) } }, WALL);
  model.publish();
  assert.equal(tev()?.row.stand, "S14");
  assert.equal(tev()?.doors.get("L1")?.state, "open");
  model.take({ name: "aircraft", data: { aircraft: "ZZ-TEV", document: null } }, WALL);
  model.publish();
  assert.equal(tev(), null);
  assert.deepEqual(model.registrations.value, ["ZZ-KAT", "ZZ-OLM"]);
});

test("a door of an aircraft that is not known is left alone", () => {
  const model = shown(snapshot(), { name: "door", data: { aircraft: "ZZ-GONE", door: "L1", document: door("L1", "open") } });
  assert.deepEqual(model.registrations.value, ["ZZ-KAT", "ZZ-OLM"]);
});

test("an alert is held by its place: raised again it replaces, normal it goes", () => {
  const model = shown(snapshot());
  const place = { aircraft: "ZZ-OLM", door: "L1", code: "unsecured-leaf" };
  model.take({ name: "active", data: { ...place, document: alert("ZZ-OLM", "L1", "unsecured-leaf", { alert_id: "again", state: "acknowledged" }) } }, WALL);
  model.publish();
  assert.equal(model.alerts.value.size, 1);
  assert.equal(model.alerts.value.get(placeOf(place))?.alert_id, "again");
  assert.equal(model.view("ZZ-OLM").value?.alerts[0]?.state, "acknowledged");
  model.take({ name: "active", data: { ...place, document: null } }, WALL);
  model.publish();
  assert.equal(model.alerts.value.size, 0);
  assert.deepEqual(model.view("ZZ-OLM").value?.alerts, []);
});

test("an alert of the site alone belongs to no aircraft", () => {
  const model = shown(snapshot(), {
    name: "active",
    data: { aircraft: "-", door: "-", code: "feed-lost", document: alert("-", "-", "feed-lost") },
  });
  assert.equal(model.alerts.value.size, 2);
  assert.deepEqual(model.registrations.value, ["ZZ-KAT", "ZZ-OLM"]);
});

test("a beat tells what was heard, the service's clock and its health", () => {
  const model = shown(snapshot());
  const olm = model.view("ZZ-OLM").value;
  const later = "2026-03-01T10:15:02.000Z";
  model.take(
    { name: "beat", data: { now: later, health: health({ reasons: ["late"] }), heard: { "ZZ-KAT": later, "ZZ-OLM": null, "ZZ-GONE": later } } },
    WALL + 2_500,
  );
  model.publish();
  assert.equal(model.view("ZZ-KAT").value?.heard, later);
  assert.equal(model.view("ZZ-OLM").value, olm, "unchanged, not drawn anew");
  assert.equal(model.clockOffset.value, 2_500);
  assert.deepEqual(model.health.value?.reasons, ["late"]);
});

test("readiness, stands and permits follow their frames", () => {
  const answer = { verdict: "cannot tell", reasons: [], notes: [] } as const;
  const readiness: ReadinessDocument = {
    aircraft: "ZZ-KAT",
    stand: "S12",
    doors: {},
    leave: { ...answer, reasons: [], notes: [] },
    board: { ...answer, reasons: [], notes: [] },
    refuel: { ...answer, reasons: [], notes: [] },
    exits: { usable: [], unknown: ["L1"], seats_usable: 0, short: null },
    pressure: { below_limit: null, trend: null },
  };
  const stand: StandDocument = { stand: "S12", wind_kt: 12, gust_kt: null, wind_from_deg: null, why: { gust_kt: "stale" }, received_at: NOW };
  const model = shown(snapshot({ stands: { S11: { ...stand, stand: "S11" } } }));
  model.take({ name: "readiness", data: { aircraft: "ZZ-KAT", document: readiness } }, WALL);
  model.take({ name: "readiness", data: { aircraft: "ZZ-GONE", document: readiness } }, WALL);
  model.take({ name: "stand", data: { stand: "S12", document: stand } }, WALL);
  model.publish();
  assert.equal(model.view("ZZ-KAT").value?.readiness, readiness);
  assert.deepEqual([...model.stands.value.keys()].sort(), ["S11", "S12"]);
  model.take({ name: "stand", data: { stand: "S12", document: null } }, WALL);
  model.take({ name: "permits", data: { permits: [] } }, WALL);
  model.publish();
  assert.deepEqual([...model.stands.value.keys()], ["S11"]);
  assert.deepEqual(model.permits.value, []);
});

test("the newest events come first, and only so many are kept", () => {
  const model = shown(snapshot());
  const event = (number: number): EventDocument => ({
    aircraft: "ZZ-KAT",
    door: "L1",
    code: "wind-limit",
    type: "sillwatch.alert.raised",
    id: String(number),
    time: NOW,
    data: alert("ZZ-KAT", "L1", "wind-limit"),
  });
  for (let number = 0; number < 150; number += 1) model.take({ name: "event", data: event(number) }, WALL);
  model.publish();
  for (let number = 150; number < 300; number += 1) model.take({ name: "event", data: event(number) }, WALL);
  model.publish();
  assert.equal(model.events.value.length, 200);
  assert.deepEqual([model.events.value[0]?.id, model.events.value[199]?.id], ["299", "100"]);
});
