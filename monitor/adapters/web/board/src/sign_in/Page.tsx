// The sign-in page: a name and a password, and why they were not taken.

import { useSignal, useSignalEffect } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import { languageWanted } from "../prefs.ts";
import { duration } from "../times.ts";
import { askWho, signIn, type Outcome } from "./asking.ts";
import { LANGUAGES, language, word } from "./words.ts";

const TICK_MS = 1_000;

function sayWhy(outcome: Outcome | "empty"): string {
  if (outcome === "empty") return word("empty");
  if (outcome.kind === "refused") return word("refused", outcome.detail);
  return outcome.kind === "in" ? "" : word(outcome.kind);
}

/** The wait of a lock-out, ms; counts down to 0. */
function useWait(outcome: Outcome | "empty" | null): number {
  const left = useSignal(0);
  useEffect(() => {
    left.value = 0;
    if (outcome === null || outcome === "empty" || outcome.kind !== "locked") return undefined;
    const over = performance.now() + outcome.seconds * 1000;
    const tick = (): void => {
      left.value = Math.max(0, over - performance.now());
      if (left.value === 0) clearInterval(timer);
    };
    const timer = setInterval(tick, TICK_MS);
    tick();
    return () => clearInterval(timer);
  }, [outcome]);
  return left.value;
}

/** `next` is where to go once somebody is signed in; `refused` that another provider has just led back here. */
export function SignIn({ next, refused }: { next: string; refused: boolean }) {
  const name = useRef<HTMLInputElement>(null);
  const password = useRef<HTMLInputElement>(null);
  const outcome = useSignal<Outcome | "empty" | null>(refused ? { kind: "elsewhere" } : null);
  const busy = useSignal(false);
  const shown = useSignal(false);
  const oidc = useSignal(false);
  const left = useWait(outcome.value);

  useSignalEffect(() => {
    document.documentElement.lang = language.value;
    document.title = `Sillwatch: ${word("title")}`;
  });
  useEffect(() => {
    name.current?.focus();
    void askWho().then((who) => {
      // Nobody has to sign in here, or somebody is already.
      if (who !== null && (!who.sign_in || who.name)) location.replace(next);
      oidc.value = who?.oidc === true;
    });
  }, []);

  const submit = async (): Promise<void> => {
    if (busy.peek() || left > 0) return;
    const [who, secret] = [name.current, password.current];
    if (who === null || secret === null) return;
    if (who.value.trim() === "" || secret.value === "") {
      outcome.value = "empty";
      (who.value.trim() === "" ? who : secret).focus();
      return;
    }
    busy.value = true;
    const came = await signIn(who.value.trim(), secret.value);
    if (came.kind === "in") return location.replace(next);
    busy.value = false;
    outcome.value = came;
    if (came.kind === "failed") {
      secret.value = "";
      secret.focus();
    }
  };

  return (
    <main class="sign-in">
      <h1>Sillwatch</h1>
      <form
        aria-labelledby="sign-in-title"
        noValidate
        onSubmit={(event) => {
          event.preventDefault();
          void submit();
        }}
      >
        <h2 id="sign-in-title">{word("title")}</h2>
        <label>
          {word("name")}
          <input ref={name} name="username" type="text" autocomplete="username" autocapitalize="none" spellcheck={false} required maxLength={80} />
        </label>
        <label>
          {word("password")}
          <input
            ref={password}
            name="password"
            {...(shown.value ? { type: "text" } : { type: "password" })}
            autocomplete="current-password"
            autocapitalize="none"
            spellcheck={false}
            required
            maxLength={1024}
          />
        </label>
        <label class="sign-in-show">
          <input type="checkbox" checked={shown.value} onChange={(event) => (shown.value = event.currentTarget.checked)} />
          {word("show")}
        </label>
        <div role="alert">{outcome.value !== null && <p class="sign-in-why">{sayWhy(outcome.value)}</p>}</div>
        <button type="submit" class="sign-in-send" aria-disabled={busy.value || left > 0}>
          {left > 0 ? word("left", duration(Math.ceil(left / 1000) * 1000)) : word(busy.value ? "sending" : "send")}
        </button>
        {oidc.value && <a href={`/api/v1/sign-in/oidc?next=${encodeURIComponent(next)}`}>{word("oidc")}</a>}
        <p class="sign-in-note">{word("forgotten")}</p>
      </form>
      <label class="sign-in-language">
        {word("language")}
        <select value={language.value} onChange={(event) => (languageWanted.value = event.currentTarget.value)}>
          {Object.keys(LANGUAGES).map((tag) => (
            <option key={tag} value={tag} lang={tag}>
              {new Intl.DisplayNames([tag], { type: "language" }).of(tag) ?? tag}
            </option>
          ))}
        </select>
      </label>
      <p class="sign-in-note">{word("caution")}</p>
    </main>
  );
}
