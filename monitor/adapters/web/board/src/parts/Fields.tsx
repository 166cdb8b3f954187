// What a person may set at this board, field by field, and who is signed in.

import { model } from "../live/model.ts";
import { boardName, languageWanted, person, theme, THEMES, typeName } from "../prefs.ts";
import { session, signedInAs } from "../session.ts";
import { language, listLanguages, nameLanguage, t } from "../words.ts";
import { SignedIn } from "./SignedIn.tsx";

const NAME_MAX = 80;
const BOARD_NAME_MAX = 60;

function licences(): string | null {
  return document.querySelector<HTMLMetaElement>('meta[name="sillwatch-licences"]')?.content ?? null;
}

export function Fields({ onDone }: { onDone: () => void }) {
  const version = model.health.value?.version;
  const texts = licences();
  return (
    <>
      {session.value?.sign_in && <SignedIn />}
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
          readOnly={signedInAs.value !== null}
          value={person.value}
          onInput={(event) => typeName(event.currentTarget.value)}
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
