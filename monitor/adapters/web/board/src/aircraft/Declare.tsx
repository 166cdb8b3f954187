// What a person declares of the aircraft: where it is, that who speaks for it is settled, that a slide is back in
// service. Each asks for what is needed and then once more, because each ends or silences alerts.

import { useSignal } from "@preact/signals";
import { useRef } from "preact/hooks";
import { type ComponentChildren } from "preact";
import { model } from "../live/model.ts";
import { person } from "../prefs.ts";
import { t, tAny } from "../words.ts";
import { onlyLooks } from "../session.ts";
import { PersonField, ReasonField, Section, Withheld } from "./parts.tsx";
import { pathOf } from "./paths.ts";
import { usePart, type Scene } from "./scene.ts";
import { useSending } from "./sending.ts";
import { Said } from "./Report.tsx";

/** A button that opens the form in which the action is confirmed. */
function Confirmed({
  id,
  button,
  confirm,
  explain,
  reasonNeeded,
  path,
  body,
  done,
}: {
  id: string;
  button: string;
  confirm: string;
  explain: ComponentChildren;
  reasonNeeded: boolean;
  path: string;
  body: Readonly<Record<string, unknown>>;
  done: string;
}) {
  const open = useSignal(false);
  const reason = useSignal("");
  const opener = useRef<HTMLButtonElement>(null);
  const { busy, outcome, send } = useSending();
  const close = (): void => {
    open.value = false;
    opener.current?.focus();
  };
  const submit = async (): Promise<void> => {
    if (onlyLooks.peek()) return;
    const by = person.value.trim();
    if (await send(path, { ...body, by, reason: reason.value }, () => done)) {
      reason.value = "";
      close();
    }
  };
  return (
    <div class="craft-confirm">
      <button
        ref={opener}
        type="button"
        aria-expanded={open.value}
        aria-controls={id}
        onClick={() => (open.value = !open.value)}
      >
        {button}
      </button>
      {open.value && (
        <form
          id={id}
          onKeyDown={(event) => {
            if (event.key === "Escape") close();
          }}
          onSubmit={(event) => {
            event.preventDefault();
            void submit();
          }}
        >
          <p>{explain}</p>
          <Withheld />
          <div class="craft-form">
            <PersonField id={`${id}-by`} />
            <ReasonField id={`${id}-reason`} required={reasonNeeded} reason={reason} />
          </div>
          <div class="craft-controls">
            <button type="submit" aria-disabled={busy.value || onlyLooks.value}>
              {confirm}
            </button>
            <button type="button" onClick={close}>
              {t("aircraft.cancel")}
            </button>
          </div>
        </form>
      )}
      <Said outcome={outcome.value} />
    </div>
  );
}

const PRESENCES = ["present", "powered_down", "away"] as const;

export const presenceWord = (presence: string): string => tAny(`presence.${presence}`, presence);

function Presence({ registration }: { registration: string }) {
  const presence = model.view(registration).value?.row.presence ?? "";
  return (
    <>
      <h3>{t("aircraft.presence")}</h3>
      <p>{t("aircraft.presence.is", { presence: presenceWord(presence) })}</p>
      <div class="craft-declares">
        {PRESENCES.filter((each) => each !== presence).map((each) => (
          <Confirmed
            key={each}
            id={`presence-${each}`}
            button={t(`aircraft.presence.declare.${each}`)}
            confirm={t(`aircraft.presence.confirm.${each}`)}
            explain={t(`aircraft.presence.explain.${each}`)}
            reasonNeeded={false}
            path={pathOf(registration, "presence")}
            body={{ presence: each }}
            done={t("aircraft.presence.done", { presence: presenceWord(each) })}
          />
        ))}
      </div>
    </>
  );
}

function Resets({ registration }: { registration: string }) {
  const view = model.view(registration).value;
  const released = new Set<string>();
  for (const [name, door] of view?.doors ?? []) if (door.state === "slide_deployed") released.add(name);
  for (const alert of view?.alerts ?? []) if (alert.code === "slide-deployed") released.add(alert.door);
  if (released.size === 0) return null;
  return (
    <>
      <h3>{t("aircraft.reset")}</h3>
      <div class="craft-declares">
        {[...released].map((door) => (
          <Confirmed
            key={door}
            id={`reset-${door}`}
            button={t("aircraft.reset.open", { door })}
            confirm={t("aircraft.reset.confirm", { door })}
            explain={t("aircraft.reset.explain", { door })}
            reasonNeeded={true}
            path={pathOf(registration, "doors", door, "reset")}
            body={{}}
            done={t("aircraft.reset.done", { door })}
          />
        ))}
      </div>
    </>
  );
}

function Identity({ scene }: { scene: Scene }) {
  const inConflict =
    model.view(scene.registration).value?.alerts.some((alert) => alert.code === "identity-conflict") ?? false;
  const spoken =
    usePart(
      scene,
      (whole) => whole.readiness.leave.conditions.find((each) => each.name === "identity")?.met === false,
    ) ?? false;
  if (!inConflict && !spoken) return null;
  return (
    <>
      <h3>{t("aircraft.identity")}</h3>
      <Confirmed
        id="identity-settle"
        button={t("aircraft.identity.open")}
        confirm={t("aircraft.identity.confirm")}
        explain={t("aircraft.identity.explain")}
        reasonNeeded={true}
        path={pathOf(scene.registration, "identity")}
        body={{}}
        done={t("aircraft.identity.done")}
      />
    </>
  );
}

export function Declare({ scene }: { scene: Scene }) {
  return (
    <Section id="declare" title={t("aircraft.declare")}>
      <Resets registration={scene.registration} />
      <Identity scene={scene} />
      <Presence registration={scene.registration} />
    </Section>
  );
}
