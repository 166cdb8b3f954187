// Values of signals in words and units.

import { t, tAny } from "../words.ts";

const UNITS: readonly (readonly [string, string])[] = [
  ["_hpa", "hPa"],
  ["_bar", "bar"],
  ["_kt", "kt"],
  ["_c", "°C"],
  ["_deg", "°"],
];

/** "door/L1/slide_bottle_bar" → "slide_bottle_bar". */
export const bareName = (path: string): string => path.slice(path.lastIndexOf("/") + 1);

/** A signal's name as people say it. */
export const signalWord = (signal: string): string => tAny(`aircraft.signal.${signal}`, signal.replaceAll("_", " "));

/** A signal with the door it belongs to, unless that is the one it is shown under. */
export function pathWord(path: string, door: string | null): string {
  const [place, name] = path.split("/");
  if (place !== "door" || name === door || name === undefined) return signalWord(bareName(path));
  return `${name} ${signalWord(bareName(path))}`;
}

/** A value as people read it: yes and no, a number with its unit, a word. */
export function valueWord(signal: string, value: unknown): string {
  if (value === null || value === undefined) return t("aircraft.value.nothing");
  if (typeof value === "boolean") return t(value ? "aircraft.value.true" : "aircraft.value.false");
  if (typeof value === "number") {
    if (signal === "travel") return `${Math.round(value * 100)} %`;
    const unit = UNITS.find(([ending]) => signal.endsWith(ending))?.[1];
    const text = Number.isInteger(value) || unit === undefined ? String(value) : value.toFixed(1);
    return unit === undefined ? text : `${text} ${unit}`;
  }
  return value === "" ? t("aircraft.value.empty") : tAny(`aircraft.value.${String(value)}`, String(value));
}
