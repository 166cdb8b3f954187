// The debrief of a drill, an aircraft, a stand or the site over a while, two drills side by side, and the hand-over.
//
// A record of what was: it is asked for once and stands still, and the stream changes nothing of it.

import { computed, signal, useComputed, useSignal } from "@preact/signals";
import { useEffect, useMemo } from "preact/hooks";
import { pageAddress, questionOf, readAsked, type Asked } from "../debrief/address.ts";
import { useAnswer } from "../debrief/asking.ts";
import { Choice } from "../debrief/Choice.tsx";
import { Compare } from "../debrief/Compare.tsx";
import type { ComparedDocument, DebriefDocument, HandoverDocument } from "../debrief/documents.ts";
import { DrillList } from "../debrief/DrillList.tsx";
import { HandoverView } from "../debrief/HandoverView.tsx";
import { Report } from "../debrief/Report.tsx";
import type { Drills } from "../drills/documents.ts";
import { Refused } from "../debrief/parts.tsx";
import { model } from "../live/model.ts";
import { Boundary } from "../parts/Boundary.tsx";
import { say } from "../said.ts";
import { t } from "../words.ts";

const DRILLS = signal("/api/v1/drills?limit=100");

function Views({ at }: { at: "debrief" | "handover" }) {
  return (
    <nav class="views" aria-label={t("debrief.views")}>
      <a href="/debrief" aria-current={at === "debrief" ? "page" : undefined}>
        {t("page.debrief")}
      </a>
      <a href="/handover" aria-current={at === "handover" ? "page" : undefined}>
        {t("page.handover")}
      </a>
    </nav>
  );
}

function isCompared(document: DebriefDocument | ComparedDocument): document is ComparedDocument {
  return "drills" in document;
}

function Shown({ asked }: { asked: Asked }) {
  const zone = model.timezone.value;
  const wanted = useSignal<Asked>(asked);
  useEffect(() => void (wanted.value = asked), [asked]);
  const address = useComputed(() => questionOf(wanted.value, model.timezone.value));
  const { document, refusal, asking } = useAnswer<DebriefDocument | ComparedDocument>(address).value;
  useEffect(() => {
    if (document !== null) say(t("debrief.ready", { title: document.of.title }), "later");
    else if (refusal !== null) say(refusal || t("alerts.act.unreached"), "later");
  }, [document, refusal]);
  if (asking) return <p role="status">{t("debrief.asking")}</p>;
  if (document === null) return <Refused detail={refusal} />;
  return (
    <Boundary what={document.of.title} key={pageAddress(asked)}>
      {isCompared(document) ? <Compare document={document} asked={asked} zone={zone} /> : <Report document={document} asked={asked} zone={zone} />}
    </Boundary>
  );
}

export function Debrief({ query }: { query: string }) {
  const asked = useMemo(() => readAsked(query), [query]);
  const drills = useAnswer<Drills>(DRILLS).value;
  return (
    <div class="debrief">
      <div class="alerts-bar">
        <Views at="debrief" />
      </div>
      <Choice asked={asked} drills={drills.document?.items ?? []} />
      {asked === null ? (
        <DrillList drills={drills} />
      ) : (
        <Shown asked={asked} />
      )}
    </div>
  );
}

const HANDOVER = computed(() => `/api/v1/handover?zone=${encodeURIComponent(model.timezone.value)}`);

export function Handover() {
  const again = useSignal(0);
  const { document, refusal, asking } = useAnswer<HandoverDocument>(HANDOVER, again).value;
  return (
    <div class="debrief">
      <div class="alerts-bar">
        <Views at="handover" />
      </div>
      <h2>{t("page.handover")}</h2>
      <nav class="debrief-files" aria-label={t("debrief.files")}>
        <button type="button" aria-disabled={asking} onClick={() => (again.value += 1)}>
          {t("alerts.audit.again")}
        </button>
        <a href={`${HANDOVER.value}&format=html`} download>
          {t("debrief.file.html")}
        </a>
        <a href={`${HANDOVER.value}&format=pdf`} download>
          {t("debrief.file.pdf")}
        </a>
        <a href={`${HANDOVER.value}&format=md`} download>
          {t("debrief.file.md")}
        </a>
        <button type="button" onClick={() => print()}>
          {t("debrief.print")}
        </button>
      </nav>
      {asking && <p role="status">{t("debrief.asking")}</p>}
      <Refused detail={refusal} />
      {document !== null && (
        <Boundary what={t("page.handover")}>
          <HandoverView document={document} />
        </Boundary>
      )}
    </div>
  );
}
