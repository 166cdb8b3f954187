// What an alert calls for and whom it asks, in the reader's language wherever that has words.

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { test } from "node:test";
import { actionOf, nameRole, sayNews, sayRole } from "../../monitor/adapters/web/board/src/alerts/wording.ts";
import { useLanguage } from "../../monitor/adapters/web/board/src/words.ts";
import { makeAlert } from "./alerts_made.ts";

const german = readFileSync(new URL("../../monitor/adapters/web/board/locales/de.json", import.meta.url), "utf8");
const words = JSON.parse(german) as Record<string, string>;

Object.assign(globalThis, {
  document: { querySelector: () => ({ content: JSON.stringify({ de: "/de.json", en: "/en.json" }) }), documentElement: { lang: "en" } },
  fetch: async () => new Response(german),
});

test("in English the service's own action is shown, marked as English", () => {
  assert.deepEqual(actionOf(makeAlert()), { text: "Stop. Keep clear of the door.", lang: "en" });
  assert.equal(nameRole("ops"), "operations");
  assert.equal(nameRole("supervisor"), "supervisor", "a role without words is called by its name");
});

test("in German the action, the role and what is read out are German", async (context) => {
  context.after(() => useLanguage("en"));
  await useLanguage("de");
  const alert = makeAlert({ role: "ops" });
  const own = words["alert.armed-handle-moved.action"] ?? "";
  assert.ok(own.length > 0);
  assert.deepEqual(actionOf(alert), { text: own, lang: undefined });
  assert.deepEqual(actionOf({ ...alert, code: "of-a-later-version" }), { text: alert.action, lang: "en" });
  assert.equal(nameRole("ops"), words["role.ops"]);
  assert.ok(sayRole(alert).includes(words["role.ops"] ?? "?"));
  for (const kind of ["new", "escalated"] as const) {
    for (const said of [sayNews([{ kind, alert }]), sayNews([{ kind, alert }, { kind, alert: makeAlert() }])]) {
      assert.ok(said.includes(own), said);
      assert.ok(!said.includes(alert.action), said);
    }
  }
  assert.ok(sayNews([{ kind: "escalated", alert }]).includes(words["role.ops"] ?? "?"));
});
