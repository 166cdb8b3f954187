// The frame around every page: where, when, whether it is live, and the usual cautions.

import { type ComponentChildren } from "preact";
import { later } from "./later.tsx";
import { model } from "./live/model.ts";
import { notLive, now } from "./live/stream.ts";
import { Alerts } from "./pages/Alerts.tsx";
import { Apron } from "./pages/Apron.tsx";
import { Settings } from "./parts/Settings.tsx";
import { PrintNote } from "./parts/PrintNote.tsx";
import { SoundSwitch } from "./parts/SoundSwitch.tsx";
import { Strip } from "./parts/Strip.tsx";
import { Summary } from "./parts/Summary.tsx";
import { route } from "./route.ts";
import { saidAtOnce, saidLater } from "./said.ts";
import { clockTime } from "./times.ts";
import { t } from "./words.ts";

const Aircraft = later(() => import("./pages/Aircraft.tsx").then((part) => part.Aircraft));
const Health = later(() => import("./pages/Health.tsx").then((part) => part.Health));

const PAGES = [
  { page: "apron", address: "/", words: "page.apron" },
  { page: "alerts", address: "/alerts", words: "page.alerts" },
  { page: "health", address: "/health", words: "page.health" },
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
        <a key={each.page} href={each.address} aria-current={each.page === page ? "page" : undefined}>
          {t(each.words)}
        </a>
      ))}
    </nav>
  );
}

function Trouble() {
  const reasons = model.health.value?.reasons ?? [];
  return (
    <p class="trouble" role="status">
      {reasons.length > 0 ? t("trouble", { reasons: reasons.join("; ") }) : ""}
    </p>
  );
}

function NotLive() {
  const gone = notLive.value;
  if (gone === null) return null;
  const title = gone.everLive ? t("notlive.title", { time: clockTime(gone.since, model.timezone.value) }) : t("notlive.never");
  return (
    <div class="not-live" role="alert">
      <p class="not-live-title">{title}</p>
      <p>{t("notlive.old")}</p>
      <p>{t("notlive.trying")}</p>
    </div>
  );
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
  }
}

function Frame({ wall, children }: { wall: boolean; children: ComponentChildren }) {
  const site = model.site.value;
  return (
    <>
      {!wall && (
        <a class="skip" href="#page">
          {t("skip")}
        </a>
      )}
      <div class={wall ? "board wall" : "board"} inert={notLive.value !== null && !notLive.value.everLive}>
        <header class="head">
          <div class="head-site">
            <h1>{site ? t("site.title", { site: site.charAt(0).toUpperCase() + site.slice(1) }) : "Sillwatch"}</h1>
            <Summary />
          </div>
          {!wall && <Navigation />}
          <div class="head-side">
            <Clock />
            <SoundSwitch wall={wall} />
            {!wall && <Settings />}
          </div>
          <Trouble />
        </header>
        <Strip />
        <main id="page" tabIndex={-1}>
          {children}
        </main>
        <footer class="foot">
          <p>{t("caution.advisory")}</p>
          <p>{t("caution.unknown")}</p>
          <PrintNote />
        </footer>
      </div>
    </>
  );
}

export function App() {
  const shown = route.value;
  const wall = shown.page === "apron" && shown.wall;
  return (
    <>
      <Frame wall={wall}>
        <Page />
      </Frame>
      <NotLive />
      <div class="unseen" aria-live="assertive" aria-atomic="true">
        {saidAtOnce.value}
      </div>
      <div class="unseen" aria-live="polite" aria-atomic="true">
        {saidLater.value}
      </div>
    </>
  );
}
