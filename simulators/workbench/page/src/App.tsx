// The page: the band that says what it is, the aircraft, the strip, and the door in front with its controls.

import { useSignal, useSignalEffect } from "@preact/signals";
import { refusal, send } from "./acting.ts";
import { Aircraft } from "./Aircraft.tsx";
import { Unusual, Usual } from "./Controls.tsx";
import { Doors } from "./Doors.tsx";
import { theme, THEMES } from "./kept.ts";
import { aircraft, bench, front, heard } from "./live.ts";
import { Monitor } from "./Monitor.tsx";
import { Readings } from "./Readings.tsx";
import { SectionView } from "./SectionView.tsx";
import { language, languageWanted, t, tAny, TAGS } from "./words.ts";
import type { BenchPart } from "./wire.ts";

export function App() {
  useSignalEffect(() => {
    document.documentElement.lang = language.value;
    document.title = `${bench.value?.aircraft ?? t("title")}: ${t("title.simulated")}`;
  });
  const rig = bench.value;
  return (
    <div class="bench">
      <section class="band" aria-label={t("band.label")}>
        <strong>{t("band.word")}</strong> {t("band.text")}
      </section>
      <header class="bench-head">
        <div>
          <h1>{rig === null ? t("title") : t("head.title", { aircraft: rig.aircraft })}</h1>
          {rig !== null && <p class="bench-sub">{t("head.sub", { type: rig.type, description: rig.description, stand: rig.stand, site: rig.site })}</p>}
        </div>
        <Link rig={rig} />
      </header>
      {!heard.value && (
        <p class="cut" role="alert">
          {t("cut")}
        </p>
      )}
      <div role="alert">{refusal.value !== "" && <p class="cut">{t("refused", { why: refusal.value })}</p>}</div>
      <main>{rig !== null && (rig.begun ? <Work rig={rig} /> : <Begin rig={rig} />)}</main>
      <footer class="bench-foot">
        <p>{t("foot")}</p>
        <Settings />
      </footer>
    </div>
  );
}

function Link({ rig }: { rig: BenchPart | null }) {
  if (rig === null) return null;
  return <p class="bench-link">{t(rig.connected ? "link.on" : "link.off", { broker: rig.broker })}</p>;
}

function Settings() {
  return (
    <div class="bench-settings">
      <label>
        <span>{t("prefs.theme")}</span>
        <select value={theme.value} onChange={(event) => (theme.value = event.currentTarget.value)}>
          {THEMES.map((name) => (
            <option key={name} value={name}>
              {tAny(`prefs.theme.${name}`, name)}
            </option>
          ))}
        </select>
      </label>
      <label>
        <span>{t("prefs.language")}</span>
        <select value={language.value} onChange={(event) => (languageWanted.value = event.currentTarget.value)}>
          {TAGS.map((tag) => (
            <option key={tag} value={tag} lang={tag}>
              {new Intl.DisplayNames([tag], { type: "language" }).of(tag) ?? tag}
            </option>
          ))}
        </select>
      </label>
    </div>
  );
}

function Begin({ rig }: { rig: BenchPart }) {
  return (
    <section class="begin" aria-labelledby="begin-title">
      <h2 id="begin-title">{t("begin.title", { aircraft: rig.aircraft })}</h2>
      <p>{t("begin.text", { aircraft: rig.aircraft, stand: rig.stand, broker: rig.broker })}</p>
      <div class="pair">
        <button type="button" onClick={() => void send("begin", { start: "armed" })}>
          {t("begin.armed")}
        </button>
        <button type="button" onClick={() => void send("begin", { start: "closed" })}>
          {t("begin.closed")}
        </button>
      </div>
    </section>
  );
}

const VIEWS = ["door", "aircraft"] as const;

function Work({ rig }: { rig: BenchPart }) {
  const view = useSignal<(typeof VIEWS)[number]>("door");
  const door = front.value;
  const plane = aircraft.value;
  if (door === null || plane === null) return null;
  return (
    <>
      <Monitor />
      <div class="views" role="group" aria-label={t("views")}>
        {VIEWS.map((name) => (
          <button key={name} type="button" aria-pressed={view.value === name} onClick={() => (view.value = name)}>
            {name === "door" ? t("view.door", { door: door.door }) : t("view.aircraft")}
          </button>
        ))}
        <button type="button" class="end" onClick={() => void send("end", {})}>
          {t("end", { aircraft: rig.aircraft })}
        </button>
      </div>
      <div class={`work ${view.value}`}>
        {view.value === "door" && <Doors />}
        <div class="middle">
          {view.value === "door" ? (
            <>
              <h2>{t("front.title", { door: door.door, kind: tAny(`kind.${door.kind}`, door.kind), state: tAny(`state.${door.state}`, door.state) })}</h2>
              <SectionView door={door} wind_kt={plane.wind.now_kt} />
              <Usual key={`usual ${door.door}`} door={door} />
              <Unusual key={`unusual ${door.door}`} door={door} />
            </>
          ) : (
            <>
              <h2>{t("view.aircraft")}</h2>
              <Aircraft plane={plane} />
            </>
          )}
        </div>
        <Readings
          key={view.value === "door" ? door.door : "aircraft"}
          title={view.value === "door" ? t("readings.door", { door: door.door }) : t("readings.aircraft")}
          readings={view.value === "door" ? door.readings : plane.readings}
        />
      </div>
    </>
  );
}
