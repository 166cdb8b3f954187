// Who is signed in at this board, in which role, and the way out.

import { useSignal } from "@preact/signals";
import { drop } from "../api.ts";
import { askSession, session } from "../session.ts";
import { t, tAny } from "../words.ts";

export function SignedIn() {
  const refusal = useSignal("");
  const { name, role = "" } = session.value ?? {};
  const leave = async (): Promise<void> => {
    const answer = await drop("/api/v1/session");
    // Whether it took effect is for the service to say: a board that only looks signed out is nobody's.
    if (answer.ok || answer.status === 401) await askSession();
    else refusal.value = answer.status === 0 ? t("alerts.act.unreached") : answer.detail;
  };
  return (
    <div class="signed-in">
      <p>{t("session.as", { name: name ?? "", role: tAny(`session.role.${role}`, role) })}</p>
      <button type="button" onClick={() => void leave()}>
        {t("session.leave")}
      </button>
      <p role="status">{refusal.value}</p>
    </div>
  );
}
