// The messages that could not be used, as they came: the newest first, a page at a time.

import { useComputed, useSignal } from "@preact/signals";
import { model } from "../live/model.ts";
import { Simulated } from "../simulated/Simulated.tsx";
import { calendarDay, clockTime } from "../times.ts";
import { t, tAny } from "../words.ts";
import { useAsked } from "./asking.ts";
import type { QuarantineItem, QuarantinePage } from "./documents.ts";
import { Foreign, Refusal, Section, Table } from "./parts.tsx";

const PAGE = 10;

function Payload({ item }: { item: QuarantineItem }) {
  if (item.size === 0) return <>{t("health.quarantine.empty_payload")}</>;
  const text = item.payload ?? item.payload_base64 ?? "";
  return (
    <details>
      <summary>{t("health.quarantine.show", { size: item.size })}</summary>
      {item.payload === undefined && <p>{t("health.quarantine.base64")}</p>}
      <code>
        <Foreign text={text} />
      </code>
    </details>
  );
}

export function Quarantine() {
  // The cursors of the pages turned over so far; the first page has none.
  const turned = useSignal<readonly string[]>([]);
  const address = useComputed(() => {
    const after = turned.value.at(-1);
    return `/api/v1/quarantine?limit=${PAGE}${after === undefined ? "" : `&after=${encodeURIComponent(after)}`}`;
  });
  const { document, refusal } = useAsked<QuarantinePage>(address).value;
  const next = document?.next ?? null;
  return (
    <Section title={t("health.quarantine")}>
      <Refusal detail={refusal} />
      {document === null ? (
        <p>{refusal === null ? t("health.asking") : ""}</p>
      ) : document.items.length === 0 && turned.value.length === 0 ? (
        <p>{t("health.quarantine.none")}</p>
      ) : (
        <>
          <Table
            caption={t("health.quarantine.caption")}
            heads={[t("health.received"), t("health.reason"), t("health.topic"), t("health.detail"), t("health.payload")]}
          >
            {document.items.map((item, at) => (
              <tr key={`${item.at}|${item.topic}|${at}`}>
                <th scope="row">
                  <time dateTime={item.at}>
                    {calendarDay(Date.parse(item.at), model.timezone.value)} {clockTime(Date.parse(item.at), model.timezone.value)}
                  </time>
                </th>
                <td>{tAny(`health.reason.${item.reason}`, item.reason)}</td>
                <td class="foreign-cell">
                  <Foreign text={item.topic} />
                  {item.simulated === true && <Simulated />}
                </td>
                <td class="foreign-cell" lang="en">
                  <Foreign text={item.detail} />
                </td>
                <td class="foreign-cell">
                  <Payload item={item} />
                </td>
              </tr>
            ))}
          </Table>
          <div class="health-pages">
            <button type="button" disabled={turned.value.length === 0} onClick={() => (turned.value = turned.value.slice(0, -1))}>
              {t("health.newer")}
            </button>
            <button
              type="button"
              disabled={next === null}
              onClick={() => {
                if (next !== null) turned.value = [...turned.value, next];
              }}
            >
              {t("health.older")}
            </button>
          </div>
        </>
      )}
    </Section>
  );
}
