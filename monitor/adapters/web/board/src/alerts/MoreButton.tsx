// The end of a paged list: more of it, that it is all, or what went wrong.

import { t } from "../words.ts";
import type { PagedList } from "./pages.ts";

export function MoreButton<Item>({ list }: { list: PagedList<Item> }) {
  const failure = list.failure.value;
  const loading = list.loading.value;
  const came = list.items.value;
  if (failure !== null) {
    return (
      <p class="more" role="status">
        {t("alerts.more.failed", { detail: failure })}{" "}
        <button type="button" onClick={() => void list.again()}>
          {t("alerts.more.again")}
        </button>
      </p>
    );
  }
  return (
    <p class="more">
      {loading || list.hasMore ? (
        <button type="button" aria-disabled={loading} onClick={() => void list.more()}>
          {t(loading ? "alerts.more.loading" : "alerts.more")}
        </button>
      ) : came !== null && came.length > 0 ? (
        t("alerts.more.all")
      ) : null}
    </p>
  );
}
