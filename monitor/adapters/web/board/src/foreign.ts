// Texts from outside, as they may stand in a sentence of ours: nothing in them is hidden, nothing turns its neighbours around.

const RIGHT_TO_LEFT = /[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc\u{10800}-\u{10fff}\u{1e800}-\u{1efff}]/u;

/** A text from outside with what steers a line made visible: a control or a change of direction cannot hide in it. */
export function showControls(text: string): string {
  return text.replace(
    /[\u0000-\u0008\u000b-\u001f\u007f-\u009f\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u2069\ufeff]/gu,
    (sign) => `⟨U+${sign.codePointAt(0)!.toString(16).toUpperCase().padStart(4, "0")}⟩`,
  );
}

/** The same for the middle of a sentence: what runs from right to left is set apart (UAX 9, isolates). */
export function foreign(text: string): string {
  const shown = showControls(text);
  return RIGHT_TO_LEFT.test(shown) ? `\u2068${shown}\u2069` : shown;
}
