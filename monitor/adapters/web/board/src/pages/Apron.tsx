// The apron: a row for each aircraft, the most urgent first.

import { useRef } from "preact/hooks";
import { Key } from "../apron/Key.tsx";
import { Row } from "../apron/Row.tsx";
import { useOrder } from "../apron/useOrder.ts";
import { later } from "../later.tsx";
import { model } from "../live/model.ts";
import { Boundary } from "../parts/Boundary.tsx";
import { t } from "../words.ts";

const Wall = later(() => import("../apron/Wall.tsx").then((part) => part.Wall));

function Rows() {
  const list = useRef<HTMLDivElement>(null);
  const { order, waiting, apply } = useOrder(list);
  const known = model.health.value !== null;
  return (
    <div class="apron" ref={list}>
      <h2 class="unseen">{t("apron.title")}</h2>
      {waiting && (
        <p class="held-order" role="status">
          {t("apron.held")}{" "}
          <button type="button" onClick={apply}>
            {t("apron.held.apply")}
          </button>
        </p>
      )}
      {order.length === 0 && <p class="apron-empty">{known ? t("apron.empty") : t("waiting")}</p>}
      <ul class="rows">
        {order.map((registration) => (
          <Boundary key={registration} what={registration} item>
            <Row registration={registration} />
          </Boundary>
        ))}
      </ul>
      <Key />
    </div>
  );
}

export function Apron({ wall }: { wall: boolean }) {
  return wall ? <Wall /> : <Rows />;
}
