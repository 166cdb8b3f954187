// The permits of this aircraft: which hazards are out of service, by whom and why, and for how long still.

import { useSignal } from "@preact/signals";
import { StartDrill } from "../drills/StartDrill.tsx";
import { foreign } from "../foreign.ts";
import { now } from "../live/stream.ts";
import { model } from "../live/model.ts";
import { person } from "../prefs.ts";
import { duration } from "../times.ts";
import { t, tAny, tCount } from "../words.ts";
import type { PermitDocument } from "../wire.ts";
import { onlyLooks } from "../session.ts";
import { Fold, Moment, PersonField, ReasonField, Section, Withheld } from "./parts.tsx";
import { useSending } from "./sending.ts";
import { Said } from "./Report.tsx";

function Left({ until }: { until: string }) {
  const left = Date.parse(until) - now.value;
  return (
    <strong class="craft-number">
      {left <= 0 ? t("aircraft.permit.over") : t("aircraft.permit.left", { left: duration(left) })}
    </strong>
  );
}

function End({ permit }: { permit: PermitDocument }) {
  const reason = useSignal("");
  const { busy, outcome, send } = useSending();
  return (
    <>
      <form
        class="craft-form"
        onSubmit={(event) => {
          event.preventDefault();
          if (onlyLooks.peek()) return;
          const body = { by: person.value.trim(), reason: reason.value };
          void send(`/api/v1/permits/${encodeURIComponent(permit.permit_id)}/end`, body, () => t("aircraft.permit.ended"));
        }}
      >
        <PersonField id={`permit-by-${permit.permit_id}`} />
        <ReasonField id={`permit-reason-${permit.permit_id}`} required={false} reason={reason} />
        <button type="submit" aria-disabled={busy.value || onlyLooks.value}>
          {t("aircraft.permit.end.confirm")}
        </button>
      </form>
      <Withheld />
      <p class="craft-quiet">{t("aircraft.permit.end.explain")}</p>
      <Said outcome={outcome.value} />
    </>
  );
}

export function Permits({ registration }: { registration: string }) {
  const permits = model.permits.value.filter((permit) => permit.aircraft === registration);
  return (
    <Section id="permits" title={t("aircraft.permits")}>
      {permits.length === 0 && <p class="craft-quiet">{t("aircraft.permit.none")}</p>}
      <ul class="craft-permits">
        {permits.map((permit) => (
          <li key={permit.permit_id}>
            <p>
              <strong>
                {permit.name
                  ? t("drill.named", { name: foreign(permit.name) })
                  : tAny(`aircraft.permit.kind.${permit.kind}`, permit.kind)}
              </strong>{" "}
              {permit.doors.length === 0
                ? t("aircraft.permit.all")
                : permit.doors.map((door) => (door === "-" ? t("aircraft.line.whole") : door)).join(" ")}
              , <Left until={permit.until} />, {t("aircraft.permit.until")} <Moment at={permit.until} />
            </p>
            <p>
              {foreign(permit.reason)} <span class="craft-quiet">({foreign(permit.by)})</span>
            </p>
            {permit.procedure ? <p>{t("drill.held_to", { procedure: permit.procedure })}</p> : null}
            {permit.kind === "drill" && (
              <p>
                <a href={`/debrief?drill=${encodeURIComponent(permit.permit_id)}`}>{t("debrief.link")}</a>
              </p>
            )}
            {permit.codes.length === 0 ? (
              <p class="craft-quiet">{t("aircraft.permit.nothing")}</p>
            ) : (
              <Fold summary={tCount("aircraft.permit.codes", permit.codes.length)}>
                {() => <p lang="en">{permit.codes.map((code) => code.replaceAll("-", " ")).join(", ")}</p>}
              </Fold>
            )}
            <Fold summary={t("aircraft.permit.end")}>{() => <End permit={permit} />}</Fold>
          </li>
        ))}
      </ul>
      <StartDrill registration={registration} />
    </Section>
  );
}
