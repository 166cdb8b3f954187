// Which page is shown: the address is the only place where that is kept, so that a page can be linked to,
// reloaded and left with the browser's own buttons.

import { signal, type Signal } from "@preact/signals";

export type Route =
  | { page: "apron"; wall: boolean }
  | { page: "aircraft"; registration: string; door: string | null }
  | { page: "alerts" }
  | { page: "health" }
  | { page: "debrief"; query: string }
  | { page: "handover" }
  | { page: "none" };

/** Read an address as somebody may type it: a registration in small letters, something at its end. */
export function readRoute(address: URL): Route {
  const path = address.pathname.replace(/(%20|\/)+$/, "");
  const aircraft = /^\/aircraft\/([a-z0-9-]{2,10})$/i.exec(path);
  if (aircraft?.[1] !== undefined) {
    return { page: "aircraft", registration: aircraft[1].toUpperCase(), door: address.searchParams.get("door") };
  }
  if (path === "/alerts") return { page: "alerts" };
  if (path === "/health") return { page: "health" };
  if (path === "/debrief") return { page: "debrief", query: address.search.slice(1) };
  if (path === "/handover") return { page: "handover" };
  return path === "" ? { page: "apron", wall: address.searchParams.has("wall") } : { page: "none" };
}

export const route: Signal<Route> = signal({ page: "apron", wall: false });

/** Go to an address of the board. */
export function go(address: string): void {
  history.pushState(null, "", address);
  follow();
  window.scrollTo(0, 0);
  document.getElementById("page")?.focus({ preventScroll: true });
}

function follow(): void {
  route.value = readRoute(new URL(location.href));
}

/** Follow the browser's buttons and every plain click on a link of the board. */
export function startRouting(): void {
  follow();
  window.addEventListener("popstate", follow);
  document.addEventListener("click", (event) => {
    const link = (event.target as Element).closest?.("a[href^='/']");
    if (link === null || link === undefined || event.defaultPrevented || event.button !== 0) return;
    if (event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return;
    const address = link.getAttribute("href") ?? "/";
    if (/^\/(?:api\/|assets\/|sign-in)/.test(address)) return;
    event.preventDefault();
    go(address);
  });
}
