// Whether the page is being put on paper, where nothing is too far off to be drawn.

import { signal, type Signal } from "@preact/signals";

const paper = matchMedia("print");
/** True from just before the page is laid out on paper. */
export const printing: Signal<boolean> = signal(paper.matches);

const look = (): void => {
  printing.value = paper.matches;
};
paper.addEventListener("change", look);
// Said before the sheet is laid out, while the query itself may still deny it.
addEventListener("beforeprint", () => {
  printing.value = true;
});
addEventListener("afterprint", look);
