// What concerns the whole aircraft: air, engines, people, power, the weather, and its link to the broker.

import { Do, Group, Slider, Switch } from "./parts.tsx";
import { order, send } from "./acting.ts";
import { bench } from "./live.ts";
import { figure, t, tAny } from "./words.ts";
import type { AircraftPart, WindPart } from "./wire.ts";

const SWITCHES = [
  ["parking_brake", "set parking brake", "release parking brake"],
  ["chocks", "chocks in", "chocks out"],
  ["beacon", "beacon on", "beacon off"],
  ["refuelling", "start refuelling", "stop refuelling"],
  ["emergency", "declare emergency", "end emergency"],
] as const;

const knots = (value: number): string => t("knots", { knots: figure(value) });

export function Aircraft({ plane }: { plane: AircraftPart }) {
  const seats = bench.value?.seats ?? 0;
  return (
    <div class="controls">
      <Weather wind={plane.wind} />
      <Group title={t("group.ground")}>
        {SWITCHES.map(([name, on, off]) => (
          <Switch key={name} label={tAny(`switch.${name}`, name)} on={plane.switches[name] === true} whenOn={on} whenOff={off} />
        ))}
        <Switch label={t("switch.power")} on={plane.power === "on"} whenOn="power on" whenOff="power off" />
      </Group>
      <Group title={t("group.engines")}>
        {Object.entries(plane.engines).map(([number, engine]) => (
          <Switch
            key={number}
            label={`${t("engine", { number, side: tAny(`side.${engine.side}`, engine.side) })}${engine.running && !engine.wanted ? ` ${t("engine.runs_down")}` : ""}`}
            on={engine.wanted}
            whenOn={`start engine ${number}`}
            whenOff={`stop engine ${number}`}
          />
        ))}
      </Group>
      <Group title={t("group.cabin")}>
        <p class="figure">{t("pressure", { hpa: figure(plane.pressure_hpa, 2) })}</p>
        <Switch label={t("air")} on={plane.air} whenOn="supply air" whenOff="cut air" />
        <Switch label={t("outflow")} on={plane.outflow_open} whenOn="open outflow valve" whenOff="shut outflow valve" />
        <Slider
          label={t("people", { n: figure(plane.aboard) })}
          value={plane.wanted}
          max={seats}
          step={1}
          say={(n) => figure(n)}
          onMove={(n) => order(`board ${n}`)}
          late
        />
        <p class="note">{t("people.note")}</p>
      </Group>
      <Group title={t("group.link")}>
        <Switch label={t("link.silent")} on={plane.silent} whenOn="fall silent" whenOff="speak again" />
        <Slider
          label={t("link.clock")}
          value={plane.clock_ahead_s}
          max={120}
          step={5}
          say={(s) => t("seconds", { s: figure(s) })}
          onMove={(s) => order(`shift clock ${s}`)}
          late
        />
      </Group>
    </div>
  );
}

function Weather({ wind }: { wind: WindPart }) {
  return (
    <Group title={t("group.weather")}>
      <p class="figure">{t("wind.now", { wind: figure(wind.now_kt), gust: figure(wind.gust_now_kt) })}</p>
      <Slider label={t("wind.mean")} value={wind.mean_kt} max={70} step={1} say={knots} onMove={(mean_kt) => void send("wind", { mean_kt, gust_kt: wind.gust_kt })} late />
      <Slider label={t("wind.gusts")} value={wind.gust_kt} max={30} step={1} say={knots} onMove={(gust_kt) => void send("wind", { mean_kt: wind.mean_kt, gust_kt })} late />
      <div class="pair">
        <Do phrase="squall 20" />
        <Do phrase="calm" />
      </div>
    </Group>
  );
}
