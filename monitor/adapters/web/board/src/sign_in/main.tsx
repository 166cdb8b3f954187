// Starts the sign-in page: look, then the form.

import { render } from "preact";
import { followTheme } from "../prefs.ts";
import { readNext } from "./next.ts";
import { SignIn } from "./Page.tsx";
import "../styles/tokens.css";
import "../styles/frame.css";
import "../styles/sign_in.css";

followTheme();
const place = document.getElementById("sign-in");
const { search, origin } = location;
if (place !== null) render(<SignIn next={readNext(search, origin)} refused={new URLSearchParams(search).has("why")} />, place);
