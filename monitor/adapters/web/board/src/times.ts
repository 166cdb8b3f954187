// Times and durations as people read them. All take milliseconds; none asks what time it is.

const formats = new Map<string, Intl.DateTimeFormat>();

function format(zone: string, seconds: boolean): Intl.DateTimeFormat {
  const key = `${zone}|${seconds}`;
  let made = formats.get(key);
  if (made === undefined) {
    made = new Intl.DateTimeFormat("en-GB", {
      timeZone: zone,
      hour: "2-digit",
      minute: "2-digit",
      ...(seconds ? { second: "2-digit" } : {}),
      hourCycle: "h23",
    });
    formats.set(key, made);
  }
  return made;
}

/** "09:41:45" in that zone. */
export const clockTime = (ms: number, zone: string): string => format(zone, true).format(ms);

/** "09:41" in that zone. */
export const clockMinute = (ms: number, zone: string): string => format(zone, false).format(ms);

const days = new Map<string, Intl.DateTimeFormat>();

/** "2026-11-25" in that zone. */
export function calendarDay(ms: number, zone: string): string {
  let made = days.get(zone);
  if (made === undefined) {
    made = new Intl.DateTimeFormat("en-CA", { timeZone: zone, year: "numeric", month: "2-digit", day: "2-digit" });
    days.set(zone, made);
  }
  return made.format(ms);
}

/** "0.4 s", "38 s", "4 min 05 s", "2 h 07 min": as exact as somebody acts on. Negative counts as nothing. */
export function duration(ms: number): string {
  const s = Math.max(0, ms) / 1000;
  if (s < 2) return `${s.toFixed(1)} s`;
  if (s < 120) return `${Math.floor(s)} s`;
  if (s < 3600) return `${Math.floor(s / 60)} min ${String(Math.floor(s % 60)).padStart(2, "0")} s`;
  return `${Math.floor(s / 3600)} h ${String(Math.floor((s % 3600) / 60)).padStart(2, "0")} min`;
}
