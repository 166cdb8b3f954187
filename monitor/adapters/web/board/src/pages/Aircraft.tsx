// One aircraft: its line, its alerts, what became of it, what may be done, and everything that is known of it.

import { Declare } from "../aircraft/Declare.tsx";
import { Deafness } from "../aircraft/Deafness.tsx";
import { Exits } from "../aircraft/Exits.tsx";
import { Head } from "../aircraft/Head.tsx";
import { LookAhead } from "../aircraft/LookAhead.tsx";
import { Fold } from "../aircraft/parts.tsx";
import { Permits } from "../aircraft/Permits.tsx";
import { Pressure } from "../aircraft/Pressure.tsx";
import { Readiness } from "../aircraft/Readiness.tsx";
import { Report } from "../aircraft/Report.tsx";
import { useScene } from "../aircraft/scene.ts";
import { Signals } from "../aircraft/Signals.tsx";
import { Timeline } from "../aircraft/Timeline.tsx";
import { Wind } from "../aircraft/Wind.tsx";
import { Boundary } from "../parts/Boundary.tsx";
import { Procedures } from "../procedures/Procedures.tsx";
import { t, type Key } from "../words.ts";

const PARTS: readonly (readonly [string, Key])[] = [
  ["alerts", "aircraft.alerts"],
  ["timeline", "aircraft.line"],
  ["procedures", "aircraft.procedures"],
  ["readiness", "aircraft.readiness.short"],
  ["exits", "aircraft.exits"],
  ["wind", "aircraft.wind"],
  ["pressure", "aircraft.pressure"],
  ["look-ahead", "aircraft.ahead.short"],
  ["signals", "aircraft.signals"],
  ["report", "aircraft.report"],
  ["declare", "aircraft.declare"],
  ["permits", "aircraft.permits"],
  ["deaf", "aircraft.deaf"],
];

function PartLinks() {
  return (
    <ul>
      {PARTS.map(([id, words]) => (
        <li key={id}>
          <a href={`#${id}`}>{t(words)}</a>
        </li>
      ))}
    </ul>
  );
}

/** Beside the page where there is room, folded above it where there is not: the style shows one of both. */
function Contents() {
  return (
    <nav class="craft-contents" aria-label={t("aircraft.contents")}>
      <PartLinks />
      <Fold summary={t("aircraft.contents")}>{() => <PartLinks />}</Fold>
    </nav>
  );
}

export function Aircraft({ registration }: { registration: string; door: string | null }) {
  const scene = useScene(registration);
  return (
    <div class="craft">
      <Contents />
      <div class="craft-page">
        <Boundary what={t("aircraft.alerts")}>
          <Head scene={scene} />
        </Boundary>
        <Boundary what={t("aircraft.line")}>
          <Timeline registration={registration} />
        </Boundary>
        <Boundary what={t("aircraft.procedures")}>
          <Procedures registration={registration} />
        </Boundary>
        <Boundary what={t("aircraft.readiness.short")}>
          <Readiness scene={scene} />
        </Boundary>
        <div class="craft-pair">
          <div>
            <Boundary what={t("aircraft.exits")}>
              <Exits scene={scene} />
            </Boundary>
            <Boundary what={t("aircraft.wind")}>
              <Wind scene={scene} />
            </Boundary>
          </div>
          <Boundary what={t("aircraft.pressure")}>
            <Pressure scene={scene} />
          </Boundary>
        </div>
        <Boundary what={t("aircraft.ahead.short")}>
          <LookAhead scene={scene} />
        </Boundary>
        <Boundary what={t("aircraft.signals")}>
          <Signals scene={scene} />
        </Boundary>
        <Boundary what={t("aircraft.report")}>
          <Report scene={scene} />
        </Boundary>
        <div class="craft-pair">
          <Boundary what={t("aircraft.declare")}>
            <Declare scene={scene} />
          </Boundary>
          <Boundary what={t("aircraft.permits")}>
            <Permits registration={registration} />
          </Boundary>
        </div>
        <Boundary what={t("aircraft.deaf")}>
          <Deafness registration={registration} />
        </Boundary>
      </div>
    </div>
  );
}
