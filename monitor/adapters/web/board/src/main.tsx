// Starts the board: words, look, address, stream, sound, receipts; then draws.

import { effect } from "@preact/signals";
import { render } from "preact";
import { App } from "./app.tsx";
import { startReceipts } from "./receipts.ts";
import { model } from "./live/model.ts";
import { Live } from "./live/stream.ts";
import { followTheme, languageWanted } from "./prefs.ts";
import { startRouting } from "./route.ts";
import { signedOut, signInAddress } from "./session.ts";
import { startSounding } from "./sound.ts";
import { followTitle } from "./title.ts";
import { useLanguage } from "./words.ts";
import "./styles/tokens.css";
import "./styles/frame.css";
import "./styles/sill.css";
import "./styles/apron.css";
import "./styles/alerts.css";
import "./styles/health.css";
import "./styles/settings.css";
import "./styles/simulated.css";
import "./styles/procedures.css";
import "./styles/print.css";

followTheme();
startRouting();
effect(() => void useLanguage(languageWanted.value));
effect(() => {
  // Nothing was shown yet, so there is nothing to cover; what was shown is covered, and stays.
  if (signedOut.value && model.site.peek() === "") location.replace(signInAddress());
});
new Live(model).start();
startSounding();
startReceipts();
followTitle();
const place = document.getElementById("board");
if (place !== null) render(<App />, place);
