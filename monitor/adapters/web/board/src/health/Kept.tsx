// What has to be kept and to arrive: the record of who did what, and the alerts that are sent elsewhere.

import { signal } from "@preact/signals";
import { model } from "../live/model.ts";
import { administers } from "../session.ts";
import { calendarDay, clockTime } from "../times.ts";
import { t, tAny, tCount } from "../words.ts";
import { useAsked } from "./asking.ts";
import type { AuditVerdict, Deliveries } from "./documents.ts";
import { Foreign, Refusal, Section } from "./parts.tsx";

const VERIFY = signal("/api/v1/audit/verify");
/** Every row is read for it. */
const VERIFY_MS = 300_000;
const DELIVERIES = signal("/api/v1/deliveries");

function Chain() {
  const { document, refusal } = useAsked<AuditVerdict>(VERIFY, VERIFY_MS).value;
  return (
    <>
      <dt>{t("health.chain")}</dt>
      <dd>
        {document !== null && (
          <p class={document.whole ? undefined : "health-trouble"}>
            {document.whole ? tCount("health.chain.whole", document.items) : t("health.chain.broken", { row: document.first_broken ?? "?" })}
          </p>
        )}
        <Refusal detail={refusal} />
      </dd>
    </>
  );
}

function when(at: string): string {
  const ms = Date.parse(at);
  return `${calendarDay(ms, model.timezone.value)} ${clockTime(ms, model.timezone.value)}`;
}

function Sent() {
  const { document, refusal } = useAsked<Deliveries>(DELIVERIES).value;
  return (
    <>
      <dt>{t("health.sent")}</dt>
      <dd>
        {document?.destinations.length === 0 && t("health.sent.nowhere")}
        {document?.destinations.map((each) => (
          <p key={each.name} class={each.state === "working" || each.state === "off" ? undefined : "health-trouble"}>
            <Foreign text={each.name} />: {tAny(`health.sent.state.${each.state}`, each.state)},{" "}
            {t("health.sent.more", { waiting: each.waiting, dead: each.dead })}{" "}
            {each.last_delivered_at !== null && t("health.sent.last", { time: when(each.last_delivered_at) })}{" "}
            {each.last_error !== null && <Foreign text={each.last_error} />}
          </p>
        ))}
        <Refusal detail={refusal} />
      </dd>
    </>
  );
}

/** For those who may ask; the others are told who may. */
export function Kept() {
  if (administers.value === null) return null;
  return (
    <Section title={t("health.kept")}>
      {administers.value ? (
        <dl class="health-facts">
          <Chain />
          <Sent />
        </dl>
      ) : (
        <p>{t("session.administers")}</p>
      )}
    </Section>
  );
}
