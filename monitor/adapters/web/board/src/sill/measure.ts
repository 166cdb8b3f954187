// How wide a text will be, near enough never to overlap: reckoned by its characters, since nothing is drawn yet.
// The widths are those of the widest font that the page falls back to.

const NARROW = new Set("ijl.,:;'|! ");
const SLIM = new Set("frtI-/()[]");
const MIDDLING = new Set("ckszvxyLFJ?");
const BROAD = new Set("mwMW%@");

/** The width of a text, px. */
export function textWidth(text: string, size: number, bold: boolean): number {
  let ems = 0;
  for (const each of text) {
    if (NARROW.has(each)) ems += 0.33;
    else if (SLIM.has(each)) ems += 0.42;
    else if (MIDDLING.has(each)) ems += 0.59;
    else if (BROAD.has(each)) ems += 0.99;
    else if (each >= "A" && each <= "Z") ems += 0.75;
    else ems += 0.64;
  }
  return ems * size * (bold ? 1.1 : 1);
}

const widest = (lines: readonly string[], size: number, bold: boolean): number =>
  Math.max(...lines.map((line) => textWidth(line, size, bold)));

/** Ways to break a phrase: none; once, after its comma or where it becomes narrowest; at every space. */
export function breaks(phrase: string, size: number, bold: boolean): string[][] {
  const words = phrase.split(" ");
  const found: string[][] = [[phrase]];
  const comma = phrase.indexOf(", ");
  if (comma > 0) found.push([phrase.slice(0, comma + 1), phrase.slice(comma + 2)]);
  for (let at = 1; comma <= 0 && at < words.length; at += 1) {
    const pair = [words.slice(0, at).join(" "), words.slice(at).join(" ")];
    const best = found[1];
    if (best === undefined || widest(pair, size, bold) < widest(best, size, bold)) found[1] = pair;
  }
  if (words.length > 2) found.push(words);
  return found;
}

/** Break the first phrase that fits into the room; null where none does. Phrases stand longest first. */
export function fit(
  phrases: readonly string[],
  room: { width: number; lines: number; size: number; bold: boolean },
): string[] | null {
  for (const phrase of phrases) {
    for (const lines of breaks(phrase, room.size, room.bold)) {
      if (lines.length <= room.lines && widest(lines, room.size, room.bold) <= room.width) return lines;
    }
  }
  return null;
}

/** The phrase with the narrowest longest word, a word a line: what is shown where nothing fits. */
export function narrowest(phrases: readonly string[], size: number, bold: boolean): string[] {
  return phrases
    .map((phrase) => phrase.split(" "))
    .reduce((best, next) => (widest(next, size, bold) < widest(best, size, bold) ? next : best));
}
