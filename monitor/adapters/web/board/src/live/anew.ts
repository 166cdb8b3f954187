// Loads the page anew: when the service was upgraded under it, or when it cannot draw any more.
//
// Only while the service answers, since a browser's own page of error never comes back by itself, and
// at most once a minute, since what cannot be drawn may still be there.

const APART_MS = 60_000;
const FIRST_MS = 1_000;
const RETRY_MS = 2_000;
const KEY = "sillwatch.anew";

let asked = false;

/** How long to wait, ms, where the page was last loaded anew at `last` (both ms since 1970). */
export function waitFor(last: number, now: number): number {
  const since = now - last;
  // A clock that was put back must not keep the page as it is.
  return since < 0 || since >= APART_MS ? FIRST_MS : Math.max(FIRST_MS, APART_MS - since);
}

function lastTime(): number {
  try {
    return Number(sessionStorage.getItem(KEY) ?? 0);
  } catch {
    return 0;
  }
}

async function load(): Promise<void> {
  try {
    if ((await fetch(location.pathname, { cache: "no-store", signal: AbortSignal.timeout(RETRY_MS) })).ok) {
      try {
        sessionStorage.setItem(KEY, String(Date.now()));
      } catch {
        // A browser that keeps nothing: a second of waiting is then all that there is between two times.
      }
      return location.reload();
    }
  } catch {
    // Not there now.
  }
  setTimeout(() => void load(), RETRY_MS);
}

/** Load the page anew as soon as that may be; asked twice, it is done once. */
export function loadAnew(): void {
  if (asked) return;
  asked = true;
  setTimeout(() => void load(), waitFor(lastTime(), Date.now()));
}
