// A person says what they see at a door: a witness beside the sensors, with a name and an age. It changes no reading.

import { useSignal } from "@preact/signals";
import { foreign } from "../foreign.ts";
import { model } from "../live/model.ts";
import { person } from "../prefs.ts";
import { t } from "../words.ts";
import type { ReportDocument, WholeDoor } from "./documents.ts";
import { onlyLooks } from "../session.ts";
import { Age, DoorField, PersonField, ReasonField, Section, TruthWord, Withheld } from "./parts.tsx";
import { pathOf } from "./paths.ts";
import { choicesOf, listReportable, readChoice } from "./reportable.ts";
import { chooseDoor, chosenDoor, useDoors, usePart, type Scene } from "./scene.ts";
import { useSending, type Outcome } from "./sending.ts";
import { signalWord, valueWord } from "./values.ts";

export function Said({ outcome }: { outcome: Outcome | null }) {
  if (outcome === null) return null;
  return (
    <p class={outcome.ok ? "craft-taken" : "craft-refused"}>
      {outcome.ok ? outcome.text : t("aircraft.sent.refused", { reason: outcome.text })}
    </p>
  );
}

/** What the door's answer means for what was said. */
function sayTaken(door: WholeDoor, signals: readonly string[]): string {
  const against = signals.filter((signal) => door.reports[signal]?.agrees === false).map(signalWord);
  return against.length === 0
    ? t("aircraft.report.taken", { door: door.door })
    : t("aircraft.report.against", { door: door.door, signals: against.join(", ") });
}

function Reports({ scene, takeBack }: { scene: Scene; takeBack: (door: string, signal: string) => void }) {
  const doors = usePart(scene, (whole) => whole.doors);
  const list = Object.entries(doors ?? {}).flatMap(([door, document]) =>
    Object.entries(document.reports).map(([signal, report]): [string, string, ReportDocument] => [
      door,
      signal,
      report,
    ]),
  );
  if (list.length === 0) return <p class="craft-quiet">{t("aircraft.report.none")}</p>;
  return (
    <div class="craft-scroll" tabIndex={0} role="region" aria-label={t("aircraft.report.list")}>
      <table class="craft-table">
        <caption>{t("aircraft.report.list")}</caption>
        <thead>
          <tr>
            <th scope="col">{t("aircraft.door")}</th>
            <th scope="col">{t("aircraft.report.saw")}</th>
            <th scope="col">{t("aircraft.report.by")}</th>
            <th scope="col">{t("aircraft.reading.age")}</th>
            <th scope="col">{t("aircraft.report.sensors")}</th>
            <th scope="col">
              <span class="unseen">{t("aircraft.report.takeback")}</span>
            </th>
          </tr>
        </thead>
        <tbody>
          {list.map(([door, signal, report]) => (
            <tr key={`${door}/${signal}`}>
              <th scope="row">{door}</th>
              <td>
                {signalWord(signal)}: <strong>{valueWord(signal, report.value)}</strong>
              </td>
              <td>{foreign(report.by)}</td>
              <td class="craft-number">
                <Age at={report.at} />
              </td>
              <td>
                <TruthWord
                  truth={report.agrees}
                  yes="aircraft.report.agrees"
                  no="aircraft.report.disagrees"
                  unknown="aircraft.report.unheld"
                />
              </td>
              <td>
                <button type="button" aria-disabled={onlyLooks.value} onClick={() => takeBack(door, signal)}>
                  {t("aircraft.report.takeback")}
                </button>
              </td>
            </tr>
          ))}
        </tbody>
      </table>
    </div>
  );
}

export function Report({ scene }: { scene: Scene }) {
  const doors = useDoors(scene);
  const type = usePart(scene, (whole) => whole.type);
  const sees = useSignal<Readonly<Record<string, string>>>({});
  const reason = useSignal("");
  const { busy, outcome, send } = useSending();
  const door = chosenDoor.value ?? doors[0] ?? "";
  const spec = (type === null ? undefined : model.types.value[type])?.doors.find((each) => each.door === door) ?? null;
  const heard = usePart(scene, (whole) => Object.keys(whole.doors[door]?.signals ?? {}).join(" "))?.split(" ") ?? [];
  const chosen = Object.entries(sees.value).filter(([, word]) => word !== "");
  const path = (of: string): string => pathOf(scene.registration, "doors", of, "report");
  const ready = !busy.value && !onlyLooks.value && chosen.length > 0 && door !== "";
  const submit = async (): Promise<void> => {
    if (!ready) return;
    const said = Object.fromEntries(chosen.map(([signal, word]) => [signal, readChoice(signal, word)]));
    const body = { by: person.value.trim(), sees: said, reason: reason.value };
    if (await send<WholeDoor>(path(door), body, (answer) => sayTaken(answer, Object.keys(said)))) {
      sees.value = {};
      reason.value = "";
    }
  };
  const takeBack = (of: string, signal: string): void => {
    const by = person.value.trim();
    if (onlyLooks.peek()) return;
    if (by === "") {
      document.getElementById("report-by")?.focus();
      return;
    }
    void send<WholeDoor>(path(of), { by, sees: { [signal]: null } }, () =>
      t("aircraft.report.tookback", { signal: signalWord(signal), door: of }),
    );
  };
  return (
    <Section id="report" title={t("aircraft.report")} scene={scene}>
      <p class="craft-quiet">{t("aircraft.report.what")}</p>
      <form
        onSubmit={(event) => {
          event.preventDefault();
          void submit();
        }}
      >
        <div class="craft-form">
          <DoorField
            id="report-door"
            doors={doors}
            door={door}
            choose={(each) => {
              sees.value = {};
              chooseDoor(each);
            }}
          />
          <PersonField id="report-by" />
        </div>
        <fieldset class="craft-sees">
          <legend>{t("aircraft.report.sees", { door })}</legend>
          {listReportable(spec, heard).map((signal) => (
            <label key={`${door}${signal}`} class="craft-field" for={`report-${signal}`}>
              <span>{signalWord(signal)}</span>
              <select
                id={`report-${signal}`}
                value={sees.value[signal] ?? ""}
                onChange={(event) => (sees.value = { ...sees.value, [signal]: event.currentTarget.value })}
              >
                <option value="">{t("aircraft.report.unsaid")}</option>
                {choicesOf(signal).map((word) => (
                  <option key={word} value={word}>
                    {valueWord(signal, readChoice(signal, word))}
                  </option>
                ))}
              </select>
            </label>
          ))}
        </fieldset>
        <div class="craft-form">
          <ReasonField id="report-reason" required={false} reason={reason} />
          <button type="submit" aria-disabled={!ready}>
            {t("aircraft.report.send")}
          </button>
        </div>
      </form>
      <Withheld />
      <Said outcome={outcome.value} />
      <Reports scene={scene} takeBack={takeBack} />
    </Section>
  );
}
