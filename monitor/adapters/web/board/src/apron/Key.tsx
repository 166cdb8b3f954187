// How a sill line is read: a drawn example of each sign with its words.

import { useMemo } from "preact/hooks";
import { say, SillLine } from "../sill/SillLine.tsx";
import type { SillDoor } from "../sill/types.ts";
import { language, t } from "../words.ts";

const DOOR: SillDoor = {
  door: "L1", kind: "cabin", side: "left", sill_m: 3.4, wind_moved_kt: 40, wind_held_kt: 50, tellsAccess: true, state: "closed_locked",
  slide: "disengaged", travel: 0, access: "none", barrier: null, handle: null, lastOut: false, since: null, blind: false,
  quality: "good", alerts: [],
};

const EXAMPLES: readonly { words: string; door: Partial<SillDoor>; holds?: boolean; wind?: number }[] = [
  { words: "apron.key.side", door: {} },
  { words: "apron.key.armed", door: { door: "R1", side: "right", state: "armed", slide: "engaged" } },
  { words: "apron.key.handle", door: { state: "armed_unlocked", slide: "engaged", handle: true } },
  { words: "apron.key.ajar", door: { state: "ajar", travel: 0.45, tellsAccess: false }, wind: 34 },
  { words: "apron.key.open", door: { state: "open", travel: 1, access: "bridge" } },
  { words: "apron.key.barrier", door: { state: "open", travel: 1, barrier: true, tellsAccess: false } },
  { words: "apron.key.deployed", door: { state: "slide_deployed", travel: 1, slide: "released", lastOut: true, tellsAccess: false } },
  { words: "apron.key.unknown", door: { state: "unknown", slide: "unknown", travel: null }, holds: false },
];
const WIDTH_PX = 92;

function Example({ door, holds, wind }: { door: Partial<SillDoor>; holds: boolean; wind: number }) {
  const input = useMemo(
    () => ({
      doors: [{ ...DOOR, ...door }],
      holds,
      presence: "present",
      wind_kt: wind,
      width: WIDTH_PX,
      size: 12,
      unit: 12,
      cellMin: 0,
      together: true,
      now: 0,
      say,
    }),
    [language.value],
  );
  return <SillLine input={input} />;
}

export function Key() {
  return (
    <details class="key">
      <summary>{t("apron.key")}</summary>
      <p>{t("apron.key.line")}</p>
      <ul>
        {EXAMPLES.map(({ words, door, holds = true, wind = 0 }) => (
          <li key={words}>
            <Example door={door} holds={holds} wind={wind} />
            <p>{say(words)}</p>
          </li>
        ))}
      </ul>
    </details>
  );
}
