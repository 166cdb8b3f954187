// Keeps what did not change between two answers, so that only what did is drawn again.

/** Ages run by themselves: they are drawn from the moment they are counted from, and are no change. */
const RUNNING: ReadonlySet<string> = new Set(["age_s", "seconds_left"]);

const isObject = (value: unknown): value is Record<string, unknown> =>
  typeof value === "object" && value !== null && !Array.isArray(value);

/** `next`, with every part that says the same as in `before` being the very object that it was. */
export function keepSame<T>(before: T, next: T): T {
  if (Array.isArray(before) && Array.isArray(next)) {
    const kept: unknown[] = next.map((each: unknown, n) => keepSame<unknown>(before[n], each));
    return (kept.length === before.length && kept.every((each, n) => Object.is(each, before[n])) ? before : kept) as T;
  }
  if (isObject(before) && isObject(next)) {
    const kept: Record<string, unknown> = {};
    let same = Object.keys(before).length === Object.keys(next).length;
    for (const [key, value] of Object.entries(next)) {
      kept[key] = keepSame(before[key], value);
      if (!Object.is(kept[key], before[key]) && !RUNNING.has(key)) same = false;
    }
    return same ? before : (kept as T);
  }
  return next;
}
