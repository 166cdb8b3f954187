// The health page: whether the service, those who look, the alarms and the senders are well.

import { signal } from "@preact/signals";
import { Alarms } from "../health/Alarms.tsx";
import { useAsked } from "../health/asking.ts";
import type { ServiceHealth } from "../health/documents.ts";
import { Kept } from "../health/Kept.tsx";
import { Refusal } from "../health/parts.tsx";
import { Quarantine } from "../health/Quarantine.tsx";
import { Latencies, ServiceState, Throughput, TurnedAway } from "../health/Service.tsx";
import { Boards, Senders } from "../health/Watchers.tsx";
import { model } from "../live/model.ts";
import { Boundary } from "../parts/Boundary.tsx";
import { clockTime } from "../times.ts";
import { t } from "../words.ts";

const ADDRESS = signal("/api/v1/health");

export function Health() {
  const { document, refusal } = useAsked<ServiceHealth>(ADDRESS).value;
  return (
    <div class="health">
      <div class="health-part">
        <h2>{t("page.health")}</h2>
        <Refusal detail={refusal} />
        {document === null ? (
          refusal === null && <p>{t("health.asking")}</p>
        ) : (
          <>
            <p class="health-note">{t("health.as_of", { time: clockTime(Date.parse(document.now), model.timezone.value) })}</p>
            <div class="health-columns">
              <Boundary what={t("health.service")}>
                <ServiceState document={document} />
              </Boundary>
              <Boundary what={t("health.boards")}>
                <Boards document={document} />
              </Boundary>
              <Boundary what={t("health.kept")}>
                <Kept />
              </Boundary>
            </div>
          </>
        )}
      </div>
      <Boundary what={t("health.alarms")}>
        <Alarms />
      </Boundary>
      <div class="health-part">
        <h2>{t("health.messages")}</h2>
        {document !== null && (
          <>
            <Boundary what={t("health.senders")}>
              <Senders document={document} />
            </Boundary>
            <div class="health-columns">
              <Boundary what={t("health.rates")}>
                <Throughput document={document} />
              </Boundary>
              <Boundary what={t("health.latency")}>
                <Latencies document={document} />
              </Boundary>
              <Boundary what={t("health.rejected")}>
                <TurnedAway document={document} which="rejected" />
              </Boundary>
              <Boundary what={t("health.dropped")}>
                <TurnedAway document={document} which="dropped" />
              </Boundary>
            </div>
          </>
        )}
        <Boundary what={t("health.quarantine")}>
          <Quarantine />
        </Boundary>
      </div>
    </div>
  );
}
