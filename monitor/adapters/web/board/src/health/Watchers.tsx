// Who sends and who looks: every aircraft's sender with its clock and heartbeat, every board with what it shows.

import { listedAs } from "../identity.ts";
import { Simulated } from "../simulated/Simulated.tsx";
import { duration } from "../times.ts";
import { language, t, tAny, tCount } from "../words.ts";
import type { BoardRow, SenderRow, ServiceHealth } from "./documents.ts";
import { orderSenders, putNumber } from "./figures.ts";
import { Figure, Foreign, Section, Table, Unknown, YesNo } from "./parts.tsx";

function Age({ seconds }: { seconds: number | null }) {
  return seconds === null ? <Unknown /> : <>{t("ago", { duration: duration(seconds * 1000) })}</>;
}

/** How far a sender's stamps are behind our clock, on their usual way to us. */
function ClockOffset({ seconds }: { seconds: number | null }) {
  if (seconds === null) return <Unknown />;
  const figure = putNumber(Math.abs(seconds), language.value, Math.abs(seconds) < 10 ? 2 : 0) ?? "";
  if (Math.abs(seconds) < 0.005) return <>{t("health.clock.with")}</>;
  return <>{t(seconds > 0 ? "health.clock.behind" : "health.clock.ahead", { seconds: figure })}</>;
}

function Sender({ row }: { row: SenderRow }) {
  return (
    <tr>
      <th scope="row">
        <a href={`/aircraft/${row.aircraft}`}>{row.aircraft}</a>
        {row.simulated === true && <Simulated />}
      </th>
      <td>{row.stand || t("health.no_stand")}</td>
      <td>{tAny(`presence.${row.presence}`, row.presence)}</td>
      <td>{tAny(`feed.${row.feed}`, row.feed)}</td>
      <td>
        <ClockOffset seconds={row.clock_offset_s} />
      </td>
      <td>
        {row.heartbeat === null ? (
          t("health.heartbeat.none")
        ) : (
          <>
            {row.heartbeat}, <Age seconds={row.heartbeat_age_s} />
          </>
        )}
      </td>
      <td>
        <Age seconds={row.last_message_age_s} />
      </td>
      <td class="number">
        <Figure value={row.messages_per_s} />
      </td>
    </tr>
  );
}

export function Senders({ document }: { document: ServiceHealth }) {
  const rows = orderSenders(document.senders ?? []);
  const live = rows.filter((row) => row.feed === "live").length;
  return (
    <Section title={t("health.senders")}>
      {document.senders === undefined ? (
        <p>{t("health.unknown")}</p>
      ) : rows.length === 0 ? (
        <p>{t("health.senders.none")}</p>
      ) : (
        <>
          <p>{tCount("health.senders.some", rows.length, { live })}</p>
          <Table
            caption={t("health.senders.caption")}
            heads={[
              t("health.aircraft"),
              t("health.stand"),
              t("health.presence"),
              t("health.feed"),
              t("health.clock"),
              t("health.heartbeat"),
              t("health.last_message"),
              t("health.messages_per_s"),
            ]}
            numbers={[7]}
          >
            {rows.map((row) => (
              <Sender key={row.aircraft} row={row} />
            ))}
          </Table>
        </>
      )}
    </Section>
  );
}

function Board({ row, now }: { row: BoardRow; now: number }) {
  return (
    <tr>
      <th scope="row">
        {row.name ? <Foreign text={row.name} /> : t("health.boards.unnamed", { board: row.board.slice(0, 8) })}
        {row.board === listedAs.value ? ` ${t("health.boards.this")}` : ""}
      </th>
      <td>{tAny(`page.${row.page}`, row.page)}</td>
      <td>
        <YesNo yes={row.visible} />
      </td>
      <td>{row.sound ? t("health.boards.sound_on") : t("health.boards.sound_off")}</td>
      <td class="number">{row.drawn}</td>
      <td>{t("ago", { duration: duration(now - Date.parse(row.heard_at)) })}</td>
      <td>{duration(now - Date.parse(row.since))}</td>
    </tr>
  );
}

export function Boards({ document }: { document: ServiceHealth }) {
  const now = Date.parse(document.now);
  const rows = [...(document.boards ?? [])].sort((a, b) => (a.since < b.since ? -1 : 1));
  return (
    <Section title={t("health.boards")}>
      {document.boards === undefined ? (
        <p>{t("health.unknown")}</p>
      ) : rows.length === 0 ? (
        <p>{t("health.boards.none")}</p>
      ) : (
        <Table
          caption={t("health.boards.caption")}
          heads={[
            t("health.boards.name"),
            t("health.boards.page"),
            t("health.boards.visible"),
            t("health.boards.sound"),
            t("health.boards.drawn"),
            t("health.boards.heard"),
            t("health.boards.open"),
          ]}
          numbers={[4]}
        >
          {rows.map((row) => (
            <Board key={row.board} row={row} now={now} />
          ))}
        </Table>
      )}
    </Section>
  );
}
