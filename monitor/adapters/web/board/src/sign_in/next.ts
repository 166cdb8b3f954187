// Where somebody goes once they are signed in: an address of this board, and never one elsewhere.

const OURS = /^\/(?![/\\])/;
const NO_PAGE = /^\/(?:api|assets|sign-in)(?:[/?#]|$)/;

/** The address that a query's `next` names, where it is a page of the board at `origin`; else the apron. */
export function readNext(query: string, origin: string): string {
  const wanted = new URLSearchParams(query).get("next") ?? "/";
  if (!OURS.test(wanted)) return "/";
  let found: URL;
  try {
    found = new URL(wanted, origin);
  } catch {
    return "/";
  }
  // Looked at again: what was taken apart and put together may begin otherwise.
  const address = found.pathname + found.search + found.hash;
  return found.origin === origin && OURS.test(address) && !NO_PAGE.test(address) ? address : "/";
}
