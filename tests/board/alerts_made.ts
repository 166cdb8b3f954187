// Alerts made for the tests: a warning that nobody has, but for what a test says.

import type { AlertDocument } from "../../monitor/adapters/web/board/src/wire.ts";

let made = 0;

export function makeAlert(part: Partial<AlertDocument> = {}): AlertDocument {
  made += 1;
  return {
    alert_id: `a${String(made).padStart(4, "0")}`,
    code: "armed-handle-moved",
    priority: "warning",
    state: "unacknowledged",
    aircraft: "ZZ-KAT",
    stand: "S12",
    door: "R2",
    raised_at: "2026-03-01T10:15:00.000Z",
    changed_at: "2026-03-01T10:15:00.000Z",
    text: "R2: handle moved with the slide engaged.",
    action: "Stop. Keep clear of the door.",
    consequence: "The slide may deploy.",
    evidence: [],
    basis: "a published source",
    role: "coordinator",
    respond_within_s: 5,
    active: true,
    ...part,
  };
}
