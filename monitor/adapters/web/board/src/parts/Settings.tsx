// What a person may set at this board: a panel that opens below its button and covers nothing else.
//
// Not a modal dialog: that would lie over a warning, and over the word that the page is not live.

import { useSignal } from "@preact/signals";
import { useEffect, useId, useRef } from "preact/hooks";
import { model } from "../live/model.ts";
import { boardName, languageWanted, person, theme, THEMES } from "../prefs.ts";
import { language, listLanguages, nameLanguage, t } from "../words.ts";

const NAME_MAX = 80;
const BOARD_NAME_MAX = 60;

function licences(): string | null {
  return document.querySelector<HTMLMetaElement>('meta[name="sillwatch-licences"]')?.content ?? null;
}

export function Settings() {
  const open = useSignal(false);
  const id = useId();
  const place = useRef<HTMLDivElement>(null);
  const button = useRef<HTMLButtonElement>(null);

  useEffect(() => {
    if (!open.value) return undefined;
    const onKey = (event: KeyboardEvent): void => {
      if (event.key !== "Escape") return;
      event.preventDefault();
      const inside = place.current?.contains(document.activeElement) ?? false;
      open.value = false;
      if (inside) button.current?.focus();
    };
    const onPointer = (event: PointerEvent): void => {
      if (!place.current?.contains(event.target as Node)) open.value = false;
    };
    document.addEventListener("keydown", onKey);
    document.addEventListener("pointerdown", onPointer);
    return () => {
      document.removeEventListener("keydown", onKey);
      document.removeEventListener("pointerdown", onPointer);
    };
  }, [open.value]);

  return (
    <div class="settings" ref={place}>
      <button ref={button} type="button" aria-expanded={open.value} aria-controls={id} onClick={() => (open.value = !open.value)}>
        {t("prefs.open")}
      </button>
      <div id={id} class="settings-panel" role="group" aria-label={t("prefs.open")} hidden={!open.value}>
        {open.value && <Fields onDone={() => (open.value = false)} />}
      </div>
    </div>
  );
}

function Fields({ onDone }: { onDone: () => void }) {
  const version = model.health.value?.version;
  const texts = licences();
  return (
    <>
      <label>
        {t("prefs.theme")}
        <select value={theme.value} onChange={(event) => (theme.value = event.currentTarget.value)}>
          {THEMES.map((each) => (
            <option key={each} value={each}>
              {t(`prefs.theme.${each}`)}
            </option>
          ))}
        </select>
      </label>
      <label>
        {t("prefs.language")}
        <select value={language.value} onChange={(event) => (languageWanted.value = event.currentTarget.value)}>
          {Object.keys(listLanguages()).map((tag) => (
            <option key={tag} value={tag} lang={tag}>
              {nameLanguage(tag)}
            </option>
          ))}
        </select>
      </label>
      <label>
        {t("prefs.name")}
        <input
          type="text"
          autocomplete="name"
          maxLength={NAME_MAX}
          value={person.value}
          onInput={(event) => (person.value = event.currentTarget.value)}
        />
      </label>
      <label>
        {t("prefs.board")}
        <input
          type="text"
          autocomplete="off"
          maxLength={BOARD_NAME_MAX}
          value={boardName.value}
          onInput={(event) => (boardName.value = event.currentTarget.value)}
        />
      </label>
      <p class="settings-note">{t("prefs.kept")}</p>
      <a href="/?wall" onClick={onDone}>
        {t("prefs.wall")}
      </a>
      {texts !== null && (
        <a href={texts} target="_blank" rel="noopener">
          {t("prefs.licences")}
        </a>
      )}
      {version !== undefined && <p class="settings-note">{t("prefs.version", { version })}</p>}
    </>
  );
}
