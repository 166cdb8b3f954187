// Which alarms are a nuisance: floods, chattering, stale ones, how they are spread, the most frequent.

import { model } from "../live/model.ts";
import { clockMinute, duration } from "../times.ts";
import { language, t, tAny, tCount } from "../words.ts";
import type { AlarmHealth, Figures } from "./documents.ts";
import { putShare } from "./figures.ts";
import { Bar, Figure, Section, Share, Table } from "./parts.tsx";
import { Moment, nameRole, PlaceCells } from "./places.tsx";

export function Floods({ document }: { document: AlarmHealth }) {
  const standing = Object.entries(document.floods_now).filter(([, since]) => since !== null);
  const { floods } = document.overall;
  const target = putShare(document.targets.flood_time_ratio_below, language.value) ?? "";
  return (
    <Section title={t("health.floods")}>
      <p>
        {standing.length === 0
          ? t("health.floods.none_now")
          : standing.map(([role, since]) => (
              <strong key={role} class="health-line">
                {t("health.floods.now", {
                  role: role === "all" ? t("health.all_roles") : nameRole(role),
                  time: clockMinute(Date.parse(since ?? ""), model.timezone.value),
                })}
              </strong>
            ))}
      </p>
      <Table
        caption={t("health.floods.caption")}
        heads={[t("health.role"), t("health.floods.number"), t("health.floods.time"), t("health.floods.share"), t("health.target.below", { target })]}
        numbers={[1]}
      >
        {[...Object.entries(document.roles), ["", document.overall] as const].map(([role, figures]) => (
          <tr key={role}>
            <th scope="row">{role ? nameRole(role) : t("health.all_roles")}</th>
            <td class="number">
              <Figure value={figures.floods.number} places={0} />
            </td>
            <td>{figures.floods.time_s > 0 ? duration(figures.floods.time_s * 1000) : t("health.none")}</td>
            <td>
              <Share value={figures.floods.time_ratio} />
            </td>
            <td>{figures.floods.meets_target ? t("health.target.met") : t("health.target.missed")}</td>
          </tr>
        ))}
      </Table>
      {floods.newest.length > 0 && (
        <ul class="health-list">
          {floods.newest.slice(0, 5).map((flood) => (
            <li key={flood.began_at}>
              <Moment at={flood.began_at} />
              {flood.ended_at === null ? (
                ` ${t("health.floods.standing")}`
              ) : (
                <>
                  {" – "}
                  <Moment at={flood.ended_at} />
                </>
              )}
            </li>
          ))}
        </ul>
      )}
    </Section>
  );
}

export function Chattering({ document }: { document: AlarmHealth }) {
  const { chattering } = document.overall;
  const meaning = t("health.chattering.means", {
    times: document.chattering_is.times,
    seconds: document.chattering_is.within_s,
  });
  return (
    <Section title={t("health.chattering")}>
      <p>{chattering.number === 0 ? t("health.chattering.none") : tCount("health.chattering.some", chattering.number)}</p>
      {chattering.number > 0 && (
        <Table
          caption={t("health.chattering.caption")}
          heads={[
            t("health.aircraft"),
            t("health.door"),
            t("health.code"),
            t("health.chattering.episodes"),
            t("health.raised"),
            t("health.chattering.last"),
          ]}
          numbers={[3, 4]}
        >
          {chattering.worst.slice(0, 10).map((each) => (
            <tr key={`${each.aircraft}|${each.door}|${each.code}`}>
              <PlaceCells place={each} />
              <td class="number">{each.episodes}</td>
              <td class="number">{each.raised}</td>
              <td>
                <Moment at={each.last_at} seconds />
              </td>
            </tr>
          ))}
        </Table>
      )}
      <p class="health-note">{meaning}</p>
    </Section>
  );
}

export function Stale({ document }: { document: AlarmHealth }) {
  const { stale } = document;
  const target = document.targets.stale_below;
  return (
    <Section title={t("health.stale")}>
      <p>
        {stale.number === 0
          ? t("health.stale.none")
          : `${tCount("health.stale.some", stale.number)} ${t("health.target.below", { target })}: ${
              stale.meets_target ? t("health.target.met") : t("health.target.missed")
            }.`}
      </p>
      {stale.number > 0 && (
        <Table
          caption={t("health.stale.caption")}
          heads={[t("health.aircraft"), t("health.door"), t("health.code"), t("health.role"), t("health.priority"), t("health.since")]}
        >
          {stale.alerts.slice(0, 10).map((each) => (
            <tr key={each.alert_id}>
              <PlaceCells place={each} />
              <td>{nameRole(each.role)}</td>
              <td>{tAny(`priority.${each.priority}`, each.priority)}</td>
              <td>
                <Moment at={each.raised_at} />
              </td>
            </tr>
          ))}
        </Table>
      )}
    </Section>
  );
}

export function Priorities({ figures, targets }: { figures: Figures; targets: Readonly<Record<string, number>> }) {
  return (
    <Section title={t("health.priorities")}>
      {figures.raised === 0 ? (
        <p>{t("health.no_alarm")}</p>
      ) : (
        <Table
          caption={t("health.priorities.caption")}
          heads={[t("health.priority"), t("health.raised"), t("health.share"), t("health.aimed")]}
          numbers={[1]}
        >
          {Object.entries(figures.priorities).map(([priority, each]) => (
            <tr key={priority}>
              <th scope="row">{tAny(`priority.${priority}`, priority)}</th>
              <td class="number">{each.raised}</td>
              <td>
                <span class="with-bar">
                  <span>
                    <Share value={each.share} />
                  </span>
                  <Bar value={each.share} full={1} marks={[targets[priority] ?? 0]} />
                </span>
              </td>
              <td>
                <Share value={targets[priority]} />
              </td>
            </tr>
          ))}
        </Table>
      )}
    </Section>
  );
}

export function Worst({ figures, atMost }: { figures: Figures; atMost: number }) {
  const { worst_ten: worst } = figures;
  const target = putShare(atMost, language.value) ?? "";
  const full = worst.alarms[0]?.raised ?? 1;
  return (
    <Section title={t("health.worst")}>
      {worst.alarms.length === 0 ? (
        <p>{t("health.no_alarm")}</p>
      ) : (
        <>
          <p>
            {t("health.worst.share", { share: putShare(worst.share, language.value) ?? t("health.unknown"), target })}
          </p>
          <Table
            caption={t("health.worst.caption")}
            heads={[t("health.aircraft"), t("health.door"), t("health.code"), t("health.raised"), t("health.share")]}
          >
            {worst.alarms.map((each) => (
              <tr key={`${each.aircraft}|${each.door}|${each.code}`}>
                <PlaceCells place={each} />
                <td>
                  <span class="with-bar">
                    <span>{each.raised}</span>
                    <Bar value={each.raised} full={full} />
                  </span>
                </td>
                <td>
                  <Share value={each.share} />
                </td>
              </tr>
            ))}
          </Table>
        </>
      )}
    </Section>
  );
}
