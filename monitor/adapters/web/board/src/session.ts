// Who is signed in at this board, what their role may do, and whether that has ended.
//
// Where nobody has to sign in there is nobody, and everything may be done. Until the service has
// said who somebody is nothing is withheld either: it is the service that decides.

import { computed, signal, type ReadonlySignal, type Signal } from "@preact/signals";

/** GET /api/v1/session. */
export interface SessionDocument {
  sign_in: boolean;
  name?: string | null;
  role?: string;
  ends_at?: string;
  oidc?: boolean;
}

const TIMEOUT_MS = 5_000;

const told: Signal<SessionDocument | null> = signal(null);
/** Null until the service has said it. */
export const session: ReadonlySignal<SessionDocument | null> = told;
/** The session's name; null where nobody has to sign in. */
export const signedInAs: ReadonlySignal<string | null> = computed(() => told.value?.name ?? null);
/** A role that sees everything and does nothing. */
export const onlyLooks: ReadonlySignal<boolean> = computed(() => told.value?.role === "viewer");
/** Whether the record of who did what, and what is sent elsewhere, may be asked for; null until it is known. */
export const administers: ReadonlySignal<boolean | null> = computed(() => {
  const { value } = told;
  return value === null ? null : !value.sign_in || value.role === "administrator";
});
/** The service takes nothing more from this page until somebody signs in. */
export const signedOut: Signal<boolean> = signal(false);

/** Ask the service who is signed in: at the start, after a refusal, and with every whole picture. */
export async function askSession(): Promise<void> {
  try {
    const answer = await fetch("/api/v1/session", { cache: "no-store", signal: AbortSignal.timeout(TIMEOUT_MS) });
    if (!answer.ok) return;
    const document = (await answer.json()) as SessionDocument;
    told.value = document;
    if (document.sign_in && !document.name) signedOut.value = true;
  } catch {
    // Not reached: the page says by itself that it is not live.
  }
}

/** The sign-in page, which leads back to here. */
export const signInAddress = (): string => `/sign-in?next=${encodeURIComponent(location.pathname + location.search)}`;
