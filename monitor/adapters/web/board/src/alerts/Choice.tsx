// The second tap: a ready reason sends the action. The same choice stands in an item and below the strip.

import { useEffect, useRef, useState } from "preact/hooks";
import { person, typeName } from "../prefs.ts";
import { say } from "../said.ts";
import { onlyLooks } from "../session.ts";
import type { AlertDocument } from "../wire.ts";
import { t, type Key } from "../words.ts";
import { closeChoice, needsName, perform, sending, working } from "./acting.ts";
import type { Act } from "./order.ts";
import { sayPlace } from "./wording.ts";

const REASONS: Readonly<Record<Act, readonly Key[]>> = {
  acknowledge: ["alerts.reason.dealing", "alerts.reason.told", "alerts.reason.going", "alerts.reason.known"],
  unacknowledge: ["alerts.reason.mistake", "alerts.reason.notmine"],
  shelve: ["alerts.reason.fault", "alerts.reason.work", "alerts.reason.nuisance"],
  unshelve: ["alerts.reason.ended", "alerts.reason.mistake"],
  close: ["alerts.reason.looked", "alerts.reason.gone"],
};
const MINUTES = [10, 30, 60, 120, 240, 480];
const MINUTES_FIRST = 30;

/** A finger that bounces must not choose. */
const BOUNCE_MS = 250;
/** A change this young was not seen by whoever presses now. */
const SEEN_MS = 400;

/** The newest `changed_at` that has stood long enough to be seen. */
function useSeen(changedAt: string): { current: string } {
  const seen = useRef(changedAt);
  useEffect(() => {
    const timer = setTimeout(() => (seen.current = changedAt), SEEN_MS);
    return () => clearTimeout(timer);
  }, [changedAt]);
  return seen;
}

export function Choice({ alert, act }: { alert: AlertDocument; act: Act }) {
  const openedAt = useRef(performance.now());
  const box = useRef<HTMLDivElement>(null);
  const first = useRef<HTMLButtonElement>(null);
  const name = useRef<HTMLInputElement>(null);
  const seen = useSeen(alert.changed_at);
  const [asksName] = useState(() => person.peek().trim() === "");
  const [nameMissing, setNameMissing] = useState(false);
  const [minutes, setMinutes] = useState(MINUTES_FIRST);
  const [typed, setTyped] = useState("");
  const busy = sending.value !== null;

  useEffect(() => {
    first.current?.focus({ preventScroll: true });
    // As little as needed: the second tap must be in reach, and nothing else needs to move.
    box.current?.scrollIntoView({ block: "nearest" });
    const mine = working.peek();
    // Nobody can choose any more where it was drawn: nothing waits for this choice.
    return () => {
      if (working.peek() === mine) closeChoice();
    };
  }, []);

  const send = (reason: string): void => {
    if (performance.now() - openedAt.current < BOUNCE_MS || busy || reason.trim() === "") return;
    if (needsName(act) && person.peek().trim() === "") {
      setNameMissing(true);
      say(t("alerts.name.needed"), "later");
      name.current?.focus();
      return;
    }
    void perform(alert, act, { reason, seen: seen.current, ...(act === "shelve" ? { minutes } : {}) });
  };

  if (onlyLooks.value) {
    return (
      <div class="choice" ref={box}>
        <p class="choice-title">{t("session.looks")}</p>
        <button ref={first} type="button" onClick={closeChoice}>
          {t("alerts.cancel")}
        </button>
      </div>
    );
  }
  return (
    <div
      class="choice"
      ref={box}
      role="group"
      aria-label={t(`alerts.choose.${act}` as Key, { place: sayPlace(alert) })}
      onKeyDown={(event) => {
        if (event.key === "Escape" && !busy) closeChoice();
        // A key held down opens the choice; it must not also make it.
        else if (event.repeat && event.key === "Enter") event.preventDefault();
      }}
    >
      <p class="choice-title">{t(`alerts.choose.${act}` as Key, { place: sayPlace(alert) })}</p>
      {asksName && (
        <label class="choice-name">
          <span>{t(needsName(act) ? "alerts.name.must" : "alerts.name.may")}</span>
          <input
            ref={name}
            maxLength={80}
            autocomplete="name"
            value={person.value}
            aria-invalid={nameMissing && person.value.trim() === ""}
            onInput={(event) => typeName(event.currentTarget.value)}
            onKeyDown={(event) => {
              if (event.key !== "Enter") return;
              // The key must not go on to press what gets the focus.
              event.preventDefault();
              first.current?.focus();
            }}
          />
        </label>
      )}
      {act === "shelve" && (
        <fieldset class="choice-minutes">
          <legend>{t("alerts.minutes")}</legend>
          {MINUTES.map((each) => (
            <label key={each}>
              <input type="radio" name="minutes" checked={each === minutes} onChange={() => setMinutes(each)} />
              <span>{each < 60 ? t("alerts.minutes.n", { n: each }) : t("alerts.hours.n", { n: each / 60 })}</span>
            </label>
          ))}
        </fieldset>
      )}
      <div class="choice-reasons">
        {REASONS[act].map((key, index) => (
          <button key={key} type="button" ref={index === 0 ? first : null} aria-disabled={busy} onClick={() => send(t(key))}>
            {t(key)}
          </button>
        ))}
      </div>
      <form
        class="choice-typed"
        onSubmit={(event) => {
          event.preventDefault();
          send(typed);
        }}
      >
        <input
          maxLength={500}
          autocomplete="off"
          aria-label={t("alerts.reason.own")}
          placeholder={t("alerts.reason.own")}
          value={typed}
          onInput={(event) => setTyped(event.currentTarget.value)}
        />
        <button type="submit" aria-disabled={busy || typed.trim() === ""}>
          {t("alerts.send")}
        </button>
        <button type="button" class="plain" onClick={closeChoice}>
          {t("alerts.cancel")}
        </button>
      </form>
    </div>
  );
}
