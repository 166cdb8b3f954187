// The frame around every page: where, when, whether it is live, and the usual cautions.

import { type ComponentChildren, type RefObject } from "preact";
import { useLayoutEffect, useRef } from "preact/hooks";
import { later } from "./later.tsx";
import { model } from "./live/model.ts";
import { notLive, now, type NotLive as Gone } from "./live/stream.ts";
import { Alerts } from "./pages/Alerts.tsx";
import { Apron } from "./pages/Apron.tsx";
import { Boundary } from "./parts/Boundary.tsx";
import { Proved } from "./parts/Proved.tsx";
import { Settings } from "./parts/Settings.tsx";
import { PrintNote } from "./parts/PrintNote.tsx";
import { useRoom } from "./parts/room.ts";
import { SoundSwitch } from "./parts/SoundSwitch.tsx";
import { Strip } from "./parts/Strip.tsx";
import { Summary } from "./parts/Summary.tsx";
import { route } from "./route.ts";
import { saidAtOnce, saidLater } from "./said.ts";
import { signedOut, signInAddress } from "./session.ts";
import { SimulatedBand } from "./simulated/Band.tsx";
import { clockTime } from "./times.ts";
import { t } from "./words.ts";

const Aircraft = later(() => import("./pages/Aircraft.tsx").then((part) => part.Aircraft));
const Health = later(() => import("./pages/Health.tsx").then((part) => part.Health));
const Debrief = later(() => import("./pages/Debrief.tsx").then((part) => part.Debrief));
const Handover = later(() => import("./pages/Debrief.tsx").then((part) => part.Handover));

const PAGES = [
  { page: "apron", address: "/", words: "page.apron" },
  { page: "alerts", address: "/alerts", words: "page.alerts" },
  { page: "health", address: "/health", words: "page.health" },
  { page: "debrief", address: "/debrief", words: "page.debrief" },
] as const;

function Clock() {
  const zone = model.timezone.value;
  return (
    <div class="clock">
      <p class="clock-local">{clockTime(now.value, zone)}</p>
      <p class="clock-utc">{t("clock.utc", { time: clockTime(now.value, "UTC") })}</p>
    </div>
  );
}

function Navigation() {
  const { page } = route.value;
  return (
    <nav class="pages" aria-label={t("nav.label")}>
      {PAGES.map((each) => (
        <a key={each.page} href={each.address} aria-current={each.page === page ? "page" : each.page === "debrief" && page === "handover" ? "true" : undefined}>
          {t(each.words)}
        </a>
      ))}
    </nav>
  );
}

function Trouble() {
  const reasons = model.health.value?.reasons ?? [];
  const line = useRef<HTMLParagraphElement>(null);
  const room = useRoom(line);
  return (
    <div class="trouble-room" style={{ height: `${room.value}px` }}>
      <p class="trouble" role="status" ref={line}>
        {reasons.length > 0 ? t("trouble", { reasons: reasons.join("; ") }) : ""}
      </p>
    </div>
  );
}

function Cover({ gone, place }: { gone: Gone; place: RefObject<HTMLDivElement | null> }) {
  const out = signedOut.value;
  const title = out ? t("session.ended") : gone.everLive ? t("notlive.title", { time: clockTime(gone.since, model.timezone.value) }) : t("notlive.never");
  return (
    <div class="not-live" role="alert" tabIndex={-1} ref={place}>
      <p class="not-live-title">{title}</p>
      {gone.broken && <p>{t("notlive.broken")}</p>}
      <p>{t("notlive.old")}</p>
      {out ? <a href={signInAddress()}>{t("session.again")}</a> : <p>{t(gone.broken ? "notlive.anew" : "notlive.trying")}</p>}
    </div>
  );
}

/** What is not live cannot be worked either: the cover takes the focus, and gives it back. */
function useCover(gone: Gone | null): RefObject<HTMLDivElement | null> {
  const cover = useRef<HTMLDivElement>(null);
  const before = useRef<Element | null>(null);
  const covered = gone !== null;
  // Asked before anything is drawn: nothing keeps the focus once the page is inert.
  if (covered) before.current ??= document.activeElement;
  useLayoutEffect(() => {
    if (covered) cover.current?.focus();
    else if (before.current !== null) {
      const back = before.current.isConnected ? before.current : document.getElementById("page");
      before.current = null;
      (back as HTMLElement | null)?.focus({ preventScroll: true });
    }
  }, [covered]);
  return cover;
}

function Page() {
  const shown = route.value;
  // Until the service told its clock and its zone, no page can ask about a time.
  if (model.site.value === "") return <p>{t("waiting")}</p>;
  switch (shown.page) {
    case "apron":
      return <Apron wall={shown.wall} />;
    case "aircraft":
      return <Aircraft key={shown.registration} registration={shown.registration} door={shown.door} />;
    case "alerts":
      return <Alerts />;
    case "health":
      return <Health />;
    case "debrief":
      return <Debrief query={shown.query} />;
    case "handover":
      return <Handover />;
    case "none":
      return (
        <div class="no-page">
          <h2>{t("page.none")}</h2>
          <p>{t("page.none.why")}</p>
          <a href="/">{t("page.none.back")}</a>
        </div>
      );
  }
}

function Frame({ wall, children }: { wall: boolean; children: ComponentChildren }) {
  const site = model.site.value;
  const gone = notLive.value;
  const cover = useCover(gone);
  return (
    <>
      <div class={wall ? "board wall" : "board"} inert={gone !== null}>
        {!wall && (
          <a class="skip" href="#page">
            {t("skip")}
          </a>
        )}
        <header class="head">
          <div class="head-site">
            <h1>{site ? t("site.title", { site: site.charAt(0).toUpperCase() + site.slice(1) }) : "Sillwatch"}</h1>
            <Boundary what={t("page.apron")}>
              <Summary />
              {route.value.page === "apron" && <Proved proof={model.proof.value} />}
            </Boundary>
          </div>
          {!wall && <Navigation />}
          <div class="head-side">
            <Clock />
            <SoundSwitch wall={wall} />
            {!wall && <Settings />}
          </div>
        </header>
        <Trouble />
        <SimulatedBand />
        <Boundary what={t("strip.label")}>
          <Strip wall={wall} />
        </Boundary>
        <main id="page" tabIndex={-1}>
          {children}
        </main>
        <footer class="foot">
          <p>{t("caution.advisory")}</p>
          <p>{t("caution.unknown")}</p>
          <PrintNote />
        </footer>
      </div>
      {gone !== null && <Cover gone={gone} place={cover} />}
    </>
  );
}

export function App() {
  const shown = route.value;
  const wall = shown.page === "apron" && shown.wall;
  return (
    <>
      <Frame wall={wall}>
        <Boundary what={t(`page.${shown.page}`)} key={shown.page}>
          <Page />
        </Boundary>
      </Frame>
      <div class="unseen" aria-live="assertive" aria-atomic="true">
        {saidAtOnce.value}
      </div>
      <div class="unseen" aria-live="polite" aria-atomic="true">
        {saidLater.value}
      </div>
    </>
  );
}
