// Questions and actions over HTTP. A refusal comes back as its sentence (RFC 9457), never as an exception
// that nobody shows.

import { askSession } from "./session.ts";

export type Answer<T> = { ok: true; document: T } | { ok: false; detail: string; status: number };

interface Problem {
  title?: string;
  detail?: string;
}

const TIMEOUT_MS = 15_000;

async function call<T>(method: string, path: string, body?: unknown, until: AbortSignal = AbortSignal.timeout(TIMEOUT_MS)): Promise<Answer<T>> {
  try {
    const answer = await fetch(path, {
      method,
      ...(body === undefined ? {} : { headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) }),
      signal: until,
    });
    const document: unknown = answer.status === 204 ? null : await answer.json();
    if (answer.status === 401) void askSession();
    if (answer.ok) return { ok: true, document: document as T };
    const problem = document as Problem;
    return { ok: false, detail: problem.detail ?? problem.title ?? answer.statusText, status: answer.status };
  } catch (error) {
    return { ok: false, detail: error instanceof Error ? error.message : String(error), status: 0 };
  }
}

/** `until` gives the question up: later than usual where the answer has to be made first, or once nobody waits for it. */
export const get = <T,>(path: string, until?: AbortSignal): Promise<Answer<T>> => call<T>("GET", path, undefined, until);
export const post = <T,>(path: string, body: unknown): Promise<Answer<T>> => call<T>("POST", path, body);
export const drop = (path: string): Promise<Answer<null>> => call<null>("DELETE", path);
export const put = <T,>(path: string, body: unknown): Promise<Answer<T>> => call<T>("PUT", path, body);
