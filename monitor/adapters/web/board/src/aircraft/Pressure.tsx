// The cabin's pressure against outside's: its curve, its limit, when it will be below, and the force on each leaf.

import { useSignal, useSignalEffect } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import type uPlot from "uplot";
import { get } from "../api.ts";
import { model } from "../live/model.ts";
import { notLive, now, snapshots } from "../live/stream.ts";
import { theme } from "../prefs.ts";
import { clockTime, duration } from "../times.ts";
import { t } from "../words.ts";
import { columns, makeChart, type Drawn } from "./chart.ts";
import { cutOff, EMPTY, fillIn, grow, readCurve, sumUp, type Curve } from "./curve.ts";
import type { CurvesDocument, PressureDocument } from "./documents.ts";
import { foresee } from "./forecast.ts";
import { Fold, Section, TruthWord, Waiting } from "./parts.tsx";
import { pathOf } from "./paths.ts";
import { usePart, type Scene } from "./scene.ts";

const HALF_HOUR = 30 * 60_000;
const AHEAD_MS = 60_000;
const TABLE_STEP = 60_000;

/** What the service kept, asked for again after every silence, and every value that comes while the page is live. */
function useCurve(scene: Scene): { curve: { value: Curve }; refusal: { value: string } } {
  const curve = useSignal<Curve>(EMPTY);
  const refusal = useSignal("");
  useSignalEffect(() => {
    const pictures = snapshots.value;
    curve.value = cutOff(curve.peek());
    if (notLive.value !== null || pictures === 0) return undefined;
    let over = false;
    void get<CurvesDocument>(pathOf(scene.registration, "curves")).then((answer) => {
      if (over) return;
      refusal.value = answer.ok ? "" : answer.detail;
      if (answer.ok) curve.value = fillIn(curve.peek(), readCurve(answer.document.differential_pressure_hpa));
    });
    return () => {
      over = true;
    };
  });
  useSignalEffect(() => {
    const signal = scene.whole.value.document?.signals["airframe/differential_pressure_hpa"];
    if (signal === undefined) return;
    const known = signal.known && typeof signal.value === "number";
    const at = known ? Date.parse(signal.received_at) : now.peek();
    curve.value = grow(curve.peek(), at, known ? (signal.value as number) : null, now.peek() - HALF_HOUR);
  });
  return { curve, refusal };
}

function drawnOf(curve: Curve, pressure: PressureDocument): Drawn {
  const at = now.peek();
  const forecast = foresee(pressure);
  const ahead = (forecast?.t.at(-1) ?? 0) * 1000;
  // Most of what is worth seeing happens in minutes: the axis begins where the curve does.
  const since = Math.max(at - HALF_HOUR, Math.min(curve.t[0] ?? at, at - 5 * 60_000));
  const below = (pressure.now_hpa ?? 0) < 0;
  return {
    curve,
    limit: below ? -pressure.limit_hpa : pressure.limit_hpa,
    forecast,
    now: at,
    since,
    until: at + ahead + AHEAD_MS,
  };
}

function Chart({ curve, pressure, text }: { curve: Curve; pressure: PressureDocument; text: string }) {
  const place = useRef<HTMLDivElement>(null);
  const chart = useRef<uPlot | null>(null);
  const shown = useRef({ curve, pressure });
  shown.current = { curve, pressure };
  useSignalEffect(() => {
    // Each look has its own colours, and a canvas keeps those that it was drawn with.
    void theme.value;
    const zone = model.timezone.value;
    const into = place.current;
    if (into === null) return undefined;
    const make = (): void => {
      chart.current?.destroy();
      chart.current = makeChart(into, drawnOf(shown.current.curve, shown.current.pressure), zone);
    };
    make();
    const dark = matchMedia("(prefers-color-scheme: dark)");
    dark.addEventListener("change", make);
    const watch = new ResizeObserver(() =>
      chart.current?.setSize({ width: into.clientWidth, height: chart.current.height }),
    );
    watch.observe(into);
    return () => {
      dark.removeEventListener("change", make);
      watch.disconnect();
      chart.current?.destroy();
      chart.current = null;
    };
  });
  useEffect(() => chart.current?.setData(columns(drawnOf(curve, pressure))), [curve, pressure]);
  return <div class="craft-chart" ref={place} role="img" aria-label={text} />;
}

/** One value a minute: the last that was known in it. */
function CurveTable({ curve }: { curve: Curve }) {
  const zone = model.timezone.value;
  const minutes = new Map<number, number | null>();
  curve.t.forEach((at, n) => {
    const minute = Math.floor(at / TABLE_STEP) * TABLE_STEP;
    const value = curve.value[n] ?? null;
    if (value !== null || !minutes.has(minute)) minutes.set(minute, value);
  });
  return (
    <table class="craft-table">
      <thead>
        <tr>
          <th scope="col">{t("aircraft.table.minute")}</th>
          <th scope="col">{t("aircraft.pressure.value")}</th>
        </tr>
      </thead>
      <tbody>
        {[...minutes].reverse().map(([at, value]) => (
          <tr key={at}>
            <th scope="row">{clockTime(at, zone)}</th>
            <td>{value === null ? t("aircraft.value.nothing") : value.toFixed(1)}</td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

function Forces({ pressure }: { pressure: PressureDocument }) {
  const known = Object.entries(pressure.doors);
  if (known.every(([, door]) => door.force_n === null))
    return <p class="craft-unknown">{t("aircraft.pressure.noforce")}</p>;
  return (
    <ul class="craft-forces">
      {known.map(([door, { force_n: force, limit_hpa: limit }]) => (
        <li key={door}>
          <strong>{door}</strong> {force === null ? t("aircraft.value.nothing") : `${force} N`}
          {limit !== pressure.limit_hpa && (
            <span class="craft-quiet"> {t("aircraft.pressure.ownlimit", { limit })}</span>
          )}
        </li>
      ))}
    </ul>
  );
}

/** When it will be below its limit, in words; empty where nothing is foreseen. */
function sayForecast(pressure: PressureDocument): string {
  const { below_limit_in_s: about, below_limit_low_s: low, below_limit_high_s: high } = pressure;
  if (about === null) return "";
  return low === null || high === null
    ? t("aircraft.pressure.about", { about: duration(about * 1000) })
    : t("aircraft.pressure.between", {
        about: duration(about * 1000),
        low: duration(low * 1000),
        high: duration(high * 1000),
      });
}

export function Pressure({ scene }: { scene: Scene }) {
  const pressure = usePart(scene, (whole) => whole.pressure);
  const { curve, refusal } = useCurve(scene);
  const shown = curve.value;
  const sum = sumUp(shown);
  return (
    <Section id="pressure" title={t("aircraft.pressure")} scene={scene}>
      {pressure === null ? (
        <Waiting scene={scene} />
      ) : (
        <>
          <p>
            <strong lang="en">{pressure.sentence}</strong>
          </p>
          <p>
            <TruthWord
              truth={pressure.below_limit}
              yes="aircraft.pressure.below"
              no="aircraft.pressure.above"
              unknown="aircraft.pressure.unknown"
            />{" "}
            {sayForecast(pressure)}
          </p>
          <Chart
            curve={shown}
            pressure={pressure}
            text={
              sum === null
                ? t("aircraft.pressure.nocurve")
                : t("aircraft.pressure.curve", {
                    low: sum.low.toFixed(1),
                    high: sum.high.toFixed(1),
                    limit: pressure.limit_hpa,
                  })
            }
          />
          <p class="craft-quiet">
            {t("aircraft.pressure.key")}{" "}
            {refusal.value !== "" && t("aircraft.pressure.onlysince", { reason: refusal.value })}
          </p>
          <Fold summary={t("aircraft.pressure.astable")}>{() => <CurveTable curve={shown} />}</Fold>
          <h3>{t("aircraft.pressure.forces")}</h3>
          <Forces pressure={pressure} />
        </>
      )}
    </Section>
  );
}
