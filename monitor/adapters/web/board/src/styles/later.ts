// The styles that only parts fetched later need, so that the first picture does not wait for them. Brought in as text: the
// bundler names no file of styles in a part that is fetched later, and the page's policy lets no style stand in its markup.

import charts from "uplot/dist/uPlot.min.css" with { type: "text" };
import aircraft from "./aircraft.css" with { type: "text" };
import debrief from "./debrief.css" with { type: "text" };

const sheet = new CSSStyleSheet();
sheet.replaceSync([charts, aircraft, debrief].join("\n"));
document.adoptedStyleSheets.push(sheet);
