// The two questions of the sign-in page: who is signed in, and whether a name and a password belong together.

import type { SessionDocument } from "../session.ts";

export type Outcome =
  | { kind: "in" }
  | { kind: "failed" }
  /** At the other provider, which leads back here. */
  | { kind: "elsewhere" }
  | { kind: "locked"; seconds: number }
  | { kind: "refused"; detail: string }
  | { kind: "unreached" };

const TIMEOUT_MS = 15_000;
/** How long to wait where the service does not say. */
const LOCKED_S = 60;

/** Read `Retry-After`: seconds alone, as the service sends them. */
export function readWait(header: string | null): number {
  return header !== null && /^\d{1,6}$/.test(header) ? Math.max(1, Number(header)) : LOCKED_S;
}

/** Send a name and a password. */
export async function signIn(name: string, password: string): Promise<Outcome> {
  try {
    const answer = await fetch("/api/v1/session", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ name, password }),
      signal: AbortSignal.timeout(TIMEOUT_MS),
    });
    if (answer.ok) return { kind: "in" };
    if (answer.status === 401) return { kind: "failed" };
    if (answer.status === 429) return { kind: "locked", seconds: readWait(answer.headers.get("Retry-After")) };
    const { detail, title } = (await answer.json()) as { detail?: string; title?: string };
    return { kind: "refused", detail: detail ?? title ?? String(answer.status) };
  } catch {
    return { kind: "unreached" };
  }
}

/** Ask who is signed in; null where the service does not answer. */
export async function askWho(): Promise<SessionDocument | null> {
  try {
    const answer = await fetch("/api/v1/session", { cache: "no-store", signal: AbortSignal.timeout(TIMEOUT_MS) });
    return answer.ok ? ((await answer.json()) as SessionDocument) : null;
  } catch {
    return null;
  }
}
