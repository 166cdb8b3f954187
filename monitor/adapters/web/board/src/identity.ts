// Who this page is among the boards.

import { signal, type Signal } from "@preact/signals";

function makeId(): string {
  // Without TLS a page that is not local has no randomUUID.
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

/** The name under which this page tells what it draws; nobody else learns it, or could speak for this page. */
export const boardId: string = makeId();
/** What the service calls this page in its list of boards; empty until it says so. */
export const listedAs: Signal<string> = signal("");
