// The words of the sign-in page, in every language at once: it is there before anything else may be fetched.

import { computed } from "@preact/signals";
import { languageWanted } from "../prefs.ts";

const ENGLISH = {
  title: "Sign in",
  name: "Name",
  password: "Password",
  show: "Show the password",
  send: "Sign in",
  sending: "Signing in …",
  oidc: "Sign in with your organisation's account",
  failed: "Name and password do not belong together. Check both, then try again.",
  elsewhere: "Your organisation's account did not sign you in. Try again, or use a name and a password.",
  locked: "Too many attempts. Wait, then try again; those who are signed in stay so.",
  left: "Again in {left}",
  empty: "Enter your name and your password.",
  unreached: "The service cannot be reached. Try again, and look at the doors yourself meanwhile.",
  refused: "Not signed in: {detail}",
  forgotten: "No name yet, or the password forgotten? Ask an administrator of this service.",
  language: "Language",
  caution: "Advisory only. It does not replace your own look at the door, the aircraft's manuals or local rules.",
};

export type Word = keyof typeof ENGLISH;

export const LANGUAGES: Readonly<Record<string, Readonly<Record<Word, string>>>> = {
  en: ENGLISH,
  de: {
    title: "Anmelden",
    name: "Name",
    password: "Passwort",
    show: "Passwort zeigen",
    send: "Anmelden",
    sending: "Wird angemeldet …",
    oidc: "Mit dem Konto Ihrer Organisation anmelden",
    failed: "Name und Passwort gehören nicht zusammen. Prüfen Sie beide und versuchen Sie es noch einmal.",
    elsewhere: "Das Konto Ihrer Organisation hat Sie nicht angemeldet. Versuchen Sie es noch einmal, oder mit Name und Passwort.",
    locked: "Zu viele Versuche. Warten Sie und versuchen Sie es dann wieder; wer angemeldet ist, bleibt es.",
    left: "Wieder in {left}",
    empty: "Geben Sie Ihren Namen und Ihr Passwort ein.",
    unreached: "Der Dienst ist nicht zu erreichen. Versuchen Sie es noch einmal und sehen Sie so lange selbst nach den Türen.",
    refused: "Nicht angemeldet: {detail}",
    forgotten: "Noch kein Name, oder das Passwort vergessen? Fragen Sie, wer diesen Dienst verwaltet.",
    language: "Sprache",
    caution:
      "Nur zur Beratung. Ersetzt weder den eigenen Blick auf die Tür noch die Handbücher des Flugzeugs oder die örtlichen Regeln.",
  },
};

/** The language in use, as a BCP 47 tag. */
export const language = computed(() => (languageWanted.value in LANGUAGES ? languageWanted.value : "en"));

/** The text of that name, with its place filled in. */
export function word(name: Word, place = ""): string {
  return (LANGUAGES[language.value] ?? ENGLISH)[name].replace(/\{\w+\}/, () => place);
}
