// Starts the bench: look, words, picture; then draws.

import { render } from "preact";
import { App } from "./App.tsx";
import { followKept } from "./kept.ts";
import { follow } from "./live.ts";
import "../../../../monitor/adapters/web/board/src/styles/tokens.css";
import "../../../../monitor/adapters/web/board/src/styles/frame.css";
import "../../../../monitor/adapters/web/board/src/styles/sill.css";
import "./bench.css";
import "./section.css";

followKept();
follow();
const place = document.getElementById("bench");
if (place !== null) render(<App />, place);
