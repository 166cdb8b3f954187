// A list of the record that is shown, asked for again with each whole picture: what happened meanwhile was told to nobody here.

import { useEffect, useRef } from "preact/hooks";
import { snapshots } from "../live/stream.ts";
import type { PagedList } from "./pages.ts";

/** Renew the list after each whole picture that comes while the component lives. */
export function useRenewed<Item>(list: PagedList<Item>): void {
  const pictures = snapshots.value;
  const before = useRef(pictures);
  useEffect(() => {
    if (before.current !== pictures) void list.renew();
    before.current = pictures;
  }, [list, pictures]);
}
