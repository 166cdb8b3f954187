// The pieces that the health page is put together from: a table that scrolls inside itself, a bar, a figure.

import { type ComponentChildren } from "preact";
import { useId } from "preact/hooks";
import { showControls } from "../foreign.ts";
import { language, t } from "../words.ts";
import { barLength, putNumber, putShare } from "./figures.ts";

/** A section with its heading; `as` is what its table is called too. */
export function Section({ title, children }: { title: string; children: ComponentChildren }) {
  const id = useId();
  return (
    <section class="health-section" aria-labelledby={id}>
      <h3 id={id}>{title}</h3>
      {children}
    </section>
  );
}

interface TableProps {
  caption: string;
  heads: readonly string[];
  /** Which columns hold numbers, by position. */
  numbers?: readonly number[];
  children: ComponentChildren;
}

/** A table wider than the screen scrolls inside itself, by keyboard too. */
export function Table({ caption, heads, numbers = [], children }: TableProps) {
  const id = useId();
  return (
    <div class="health-scroll" role="region" aria-labelledby={id} tabIndex={0}>
      <table class="health-table">
        <caption id={id}>{caption}</caption>
        <thead>
          <tr>
            {heads.map((head, at) => (
              <th key={head} scope="col" class={numbers.includes(at) ? "number" : undefined}>
                {head}
              </th>
            ))}
          </tr>
        </thead>
        <tbody>{children}</tbody>
      </table>
    </div>
  );
}

/** A number in the reader's language, or the word for one that is not known. */
export function Figure({ value, places = 1, unit = "" }: { value: number | null | undefined; places?: number; unit?: string }) {
  const text = putNumber(value, language.value, places);
  return text === null ? <Unknown /> : <>{unit ? `${text} ${unit}` : text}</>;
}

/** A share as per cent, or the word for one that is not known. */
export function Share({ value }: { value: number | null | undefined }) {
  const text = putShare(value, language.value);
  return text === null ? <Unknown /> : <>{text}</>;
}

/** A figure that says nothing yet. */
export function TooEarly() {
  return <span class="unknown">{t("health.too_early")}</span>;
}

export function Unknown() {
  return <span class="unknown">{t("health.unknown")}</span>;
}

export function YesNo({ yes }: { yes: boolean }) {
  return <>{yes ? t("health.yes") : t("health.no")}</>;
}

interface BarProps {
  value: number | null | undefined;
  full: number;
  /** Where published limits or targets stand, on the same scale. */
  marks?: readonly number[];
}

/** A bar beside a number that says the same: for the eye alone. */
export function Bar({ value, full, marks = [] }: BarProps) {
  const length = barLength(value, full);
  return (
    <svg class="health-bar" viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true">
      <line class="track" x1={0} y1={5} x2={100} y2={5} />
      <rect x={0} y={2} width={length} height={6} />
      {marks.map((mark) => (
        <line key={mark} x1={barLength(mark, full)} y1={0} x2={barLength(mark, full)} y2={10} />
      ))}
    </svg>
  );
}

/** A text from outside: it is set apart, so that it cannot turn the rest of its line around. */
export function Foreign({ text }: { text: string }) {
  return <bdi class="foreign">{showControls(text)}</bdi>;
}

/** Why there is no newer answer, in the service's own words. */
export function Refusal({ detail }: { detail: string | null }) {
  return detail === null ? null : (
    <p class="health-refusal">
      {t("health.refused")} <span lang="en">{detail}</span>
    </p>
  );
}
