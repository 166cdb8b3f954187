// How the service itself does: whether it can be relied on, what comes in, how long it takes, what it turned away.

import { model } from "../live/model.ts";
import { Proved } from "../parts/Proved.tsx";
import { clockTime, calendarDay } from "../times.ts";
import { language, t, tAny, tCount } from "../words.ts";
import type { ServiceHealth } from "./documents.ts";
import { orderCounts, placesOfMs, putNumber } from "./figures.ts";
import { Bar, Figure, Section, Table } from "./parts.tsx";

export function ServiceState({ document }: { document: ServiceHealth }) {
  const { service } = document;
  const zone = model.timezone.value;
  const started = Date.parse(service.started);
  const { broker, journal } = service;
  return (
    <Section title={t("health.service")}>
      <p class={service.ready ? undefined : "health-trouble"}>
        {service.ready ? t("health.ready") : t("trouble", { reasons: service.reasons.join("; ") })}
      </p>
      <dl class="health-facts">
        <dt>{t("health.broker")}</dt>
        <dd>
          {broker.connected ? t("health.broker.connected") : t("health.broker.gone")}{" "}
          {t("health.broker.more", {
            reconnects: broker.reconnects,
            backlog: broker.backlog,
            unacknowledged: broker.unacknowledged,
            dropped: broker.dropped,
          })}
        </dd>
        <dt>{t("health.journal")}</dt>
        <dd>
          {journal.healthy ? t("health.journal.written") : t("health.journal.failing")}{" "}
          {t("health.journal.depth", { depth: journal.depth })}
        </dd>
        {service.proof && (
          <>
            <dt>{t("health.proof")}</dt>
            <dd>
              <Proved proof={service.proof} />
              {tCount("health.proof.missed", service.proof.missed ?? 0)}
            </dd>
          </>
        )}
        <dt>{t("health.lag")}</dt>
        <dd>
          <Figure value={service.loop_lag_s * 1000} places={placesOfMs(service.loop_lag_s * 1000)} unit="ms" />
        </dd>
        <dt>{t("health.stream")}</dt>
        <dd>
          {document.stream === undefined
            ? t("health.unknown")
            : t("health.stream.more", { clients: document.stream.clients, resyncs: document.stream.resyncs })}
        </dd>
        <dt>{t("health.started")}</dt>
        <dd>
          {t("health.started.more", {
            day: calendarDay(started, zone),
            time: clockTime(started, zone),
            version: service.version,
            instance: service.instance,
          })}
        </dd>
      </dl>
    </Section>
  );
}

const RATES = ["messages_per_s", "events_per_s"] as const;

export function Throughput({ document }: { document: ServiceHealth }) {
  const { rates } = document;
  return (
    <Section title={t("health.rates")}>
      <Table caption={t("health.throughput.caption")} heads={[t("health.what"), t("health.per_s.1m"), t("health.per_s.10m")]} numbers={[1, 2]}>
        {RATES.map((name) => (
          <tr key={name}>
            <th scope="row">{t(`health.${name}`)}</th>
            <td class="number">
              <Figure value={rates?.[name]?.["1m"]} />
            </td>
            <td class="number">
              <Figure value={rates?.[name]?.["10m"]} />
            </td>
          </tr>
        ))}
      </Table>
    </Section>
  );
}

const QUANTILES = ["p50", "p95", "p99", "max"] as const;

export function Latencies({ document }: { document: ServiceHealth }) {
  const found = Object.entries(document.latency_ms ?? {});
  const full = Math.max(0, ...found.map(([, each]) => each.p99 ?? 0));
  return (
    <Section title={t("health.latency")}>
      {found.length === 0 ? (
        <p>{t("health.unknown")}</p>
      ) : (
        <Table
          caption={t("health.latency.caption")}
          heads={[t("health.what"), t("health.p50"), t("health.p95"), t("health.p99"), t("health.max"), t("health.count")]}
          numbers={[1, 2, 4, 5]}
        >
          {found.map(([name, each]) => (
            <tr key={name}>
              <th scope="row">{tAny(`health.latency.${name}`, name)}</th>
              {QUANTILES.map((quantile) => {
                const value = each[quantile];
                const figure =
                  value === null ? t("health.none_yet") : `${putNumber(value, language.value, placesOfMs(value)) ?? ""} ms`;
                return quantile === "p99" ? (
                  <td key={quantile}>
                    <span class="with-bar">
                      <span>{figure}</span>
                      <Bar value={value} full={full} />
                    </span>
                  </td>
                ) : (
                  <td key={quantile} class="number">
                    {figure}
                  </td>
                );
              })}
              <td class="number">
                <Figure value={each.count} places={0} />
              </td>
            </tr>
          ))}
        </Table>
      )}
    </Section>
  );
}

/** What was not taken since the start, by reason: `rejected` cannot be used, `dropped` is a repeat or too old. */
export function TurnedAway({ document, which }: { document: ServiceHealth; which: "rejected" | "dropped" }) {
  const counts = document[which];
  const ordered = orderCounts(counts ?? {});
  const full = ordered[0]?.[1] ?? 1;
  return (
    <Section title={t(`health.${which}`)}>
      {counts === undefined ? (
        <p>{t("health.unknown")}</p>
      ) : ordered.length === 0 ? (
        <p>{t(`health.${which}.none`)}</p>
      ) : (
        <Table caption={t(`health.${which}.caption`)} heads={[t("health.reason"), t("health.number")]}>
          {ordered.map(([reason, number]) => (
            <tr key={reason}>
              <th scope="row">{tAny(`health.reason.${reason}`, reason)}</th>
              <td>
                <span class="with-bar">
                  <span>
                    <Figure value={number} places={0} />
                  </span>
                  <Bar value={number} full={full} />
                </span>
              </td>
            </tr>
          ))}
        </Table>
      )}
    </Section>
  );
}
