// What is read out to people who do not see the page: warnings at once, the rest when there is a pause.
//
// A text stands long enough to be taken up before the next one replaces it, and goes after a while, so
// that somebody who reads through the page does not come upon an old one.

import { signal, type Signal } from "@preact/signals";

export const saidAtOnce: Signal<string> = signal("");
export const saidLater: Signal<string> = signal("");

type Urgency = "at once" | "later";

const STANDS_MS = 1_500;
const GOES_MS = 20_000;
const WAITING_MAX = 4;

interface Region {
  text: Signal<string>;
  waiting: string[];
  standing: boolean;
  going: ReturnType<typeof setTimeout> | undefined;
}

const regions: Readonly<Record<Urgency, Region>> = {
  "at once": { text: saidAtOnce, waiting: [], standing: false, going: undefined },
  later: { text: saidLater, waiting: [], standing: false, going: undefined },
};

/** Have a text read out. The same text twice is read twice: a space that nobody hears makes it another. */
export function say(text: string, urgency: Urgency): void {
  if (text === "") return;
  const region = regions[urgency];
  region.waiting.push(text);
  // Of a burst the newest count; what was said on the way is on the page.
  if (region.waiting.length > WAITING_MAX) region.waiting.shift();
  if (!region.standing) sayNext(region);
}

function sayNext(region: Region): void {
  const text = region.waiting.shift();
  region.standing = text !== undefined;
  clearTimeout(region.going);
  if (text === undefined) {
    region.going = setTimeout(() => (region.text.value = ""), GOES_MS);
    return;
  }
  region.text.value = region.text.peek() === text ? `${text}\u00a0` : text;
  setTimeout(() => sayNext(region), STANDS_MS);
}
