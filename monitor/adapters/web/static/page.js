// The plain page: shows what the stream says, and never shows it as live when it is not.
// Everything from outside is set as text; nothing here is ever parsed as markup.
"use strict";

const SILENCE_MS = 6000;
const RETRY_MS = 2000;

const PRIORITIES = ["warning", "caution", "advisory"];
const PRIORITY_WORDS = { warning: "Warning", caution: "Caution", advisory: "Advisory" };
const STATE_WORDS = {
  unknown: "no data",
  closed_locked: "locked",
  armed: "armed",
  unlocked: "unlocked",
  armed_unlocked: "unlocked, armed",
  ajar: "ajar",
  open: "open",
  slide_deployed: "slide deployed",
};
const CALM_STATES = new Set(["closed_locked", "armed"]);
const PRESENCE_WORDS = { present: "", powered_down: "powered down, not judged", away: "away, not judged" };
const FEED_WORDS = {
  live: "",
  silent: "gone silent",
  lost: "feed lost",
  "left-on-broker": "only left on the broker",
  "no-broker": "no broker",
};
const WAITING = new Set(["unacknowledged", "rtn_unacknowledged"]);
const SHAPES = {
  warning: ["M16 2 30 16 16 30 2 16Z", "M16 9v8M16 22.5v.2"],
  caution: ["M16 3 30 28H2Z", "M16 12v7M16 24v.2"],
  advisory: ["M16 3a13 13 0 1 1 0 26 13 13 0 1 1 0-26Z", "M16 15v8M16 9.5v.2"],
};

const byId = (id) => document.getElementById(id);

const model = {
  aircraft: new Map(), // registration → { row, doors: Map(name → document), heard }
  alerts: new Map(), // aircraft|door|code → document
  timezone: "UTC",
  health: null,
};
const cards = new Map(); // registration → the parts of its card
const items = new Map(); // alert key → the parts of its item
const notes = new Map(); // alert key → what came of the last action
let source = null;
let proved = null; // the last sign of life: { server, wall, steady } in ms
const opened = { wall: Date.now(), steady: performance.now() };
let drawing = false;

// ---- small parts

function make(tag, className, text) {
  const node = document.createElement(tag);
  if (className) node.className = className;
  if (text !== undefined) node.textContent = text;
  return node;
}

function put(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

function mark(priority) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("viewBox", "0 0 32 32");
  svg.setAttribute("class", `mark ${priority}`);
  svg.setAttribute("aria-hidden", "true");
  ["shape", "sign"].forEach((part, index) => {
    const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
    path.setAttribute("class", part);
    path.setAttribute("d", (SHAPES[priority] || SHAPES.advisory)[index]);
    svg.append(path);
  });
  return svg;
}

const clocks = new Map();
function clock(ms) {
  if (!clocks.has(model.timezone)) {
    const form = { hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" };
    let format;
    try {
      format = new Intl.DateTimeFormat("en-GB", { ...form, timeZone: model.timezone });
    } catch {
      format = new Intl.DateTimeFormat("en-GB", { ...form, timeZone: "UTC" });
    }
    clocks.set(model.timezone, format);
  }
  return clocks.get(model.timezone).format(ms);
}

function clockOf(text) {
  const ms = Date.parse(text);
  return Number.isNaN(ms) ? "an unknown time" : clock(ms);
}

function silence() {
  // The larger of two clocks: one may stand still while the device sleeps.
  const last = proved || opened;
  return Math.max(performance.now() - last.steady, Date.now() - last.wall);
}

const serverNow = () => (proved ? proved.server + (performance.now() - proved.steady) : null);

const alertKey = (aircraft, door, code) => `${aircraft}|${door}|${code}`;

function place(alert) {
  const words = [alert.aircraft, alert.door].filter((word) => word && word !== "-");
  return words.join(" ") || "the whole site";
}

const rank = (priority) => {
  const index = PRIORITIES.indexOf(priority);
  return index < 0 ? PRIORITIES.length : index;
};

// ---- what the stream says

function craft(reg) {
  if (!model.aircraft.has(reg)) model.aircraft.set(reg, { row: { aircraft: reg }, doors: new Map(), heard: null });
  return model.aircraft.get(reg);
}

function prove(text) {
  const server = Date.parse(text);
  if (!Number.isNaN(server)) proved = { server, wall: Date.now(), steady: performance.now() };
}

const readers = {
  snapshot(data) {
    prove(data.now);
    model.timezone = data.timezone || "UTC";
    model.health = data.health;
    const site = data.site ? data.site.charAt(0).toUpperCase() + data.site.slice(1) : "This";
    put(byId("site"), `${site} apron`);
    document.title = `${site} apron – Sillwatch`;
    put(byId("zone"), model.timezone);
    model.aircraft.clear();
    for (const { doors, ...row } of data.aircraft) {
      const one = craft(row.aircraft);
      one.row = row;
      one.heard = row.last_message_at;
      one.doors = new Map(Object.entries(doors || {}));
    }
    const before = new Set(model.alerts.keys());
    model.alerts.clear();
    for (const alert of data.alerts) setAlert(alert.aircraft, alert.door, alert.code, alert, before);
  },
  beat(data) {
    prove(data.now);
    model.health = data.health;
    for (const [reg, at] of Object.entries(data.heard || {})) {
      if (model.aircraft.has(reg)) craft(reg).heard = at;
    }
  },
  door(data) {
    if (data.document) craft(data.aircraft).doors.set(data.door, data.document);
    else if (model.aircraft.has(data.aircraft)) craft(data.aircraft).doors.delete(data.door);
  },
  aircraft(data) {
    if (data.document) craft(data.aircraft).row = data.document;
    else model.aircraft.delete(data.aircraft);
  },
  active(data) {
    setAlert(data.aircraft, data.door, data.code, data.document, new Set(model.alerts.keys()));
  },
  event() {}, // every change that this page shows also comes as a document
};

function setAlert(aircraft, door, code, alert, known) {
  const key = alertKey(aircraft, door, code);
  const before = model.alerts.get(key);
  if (!alert) {
    model.alerts.delete(key);
    notes.delete(key);
    return;
  }
  model.alerts.set(key, alert);
  const rises = !known.has(key) || (before && rank(alert.priority) < rank(before.priority));
  if (rises && alert.state === "unacknowledged") {
    const words = `${PRIORITY_WORDS[alert.priority] || alert.priority}, ${place(alert)}. ${alert.action || ""} ${alert.text || ""}`;
    if (alert.priority === "warning") put(byId("said-at-once"), words);
    else put(byId("said-later"), words);
  }
}

function connect() {
  source = new EventSource("/api/v1/stream");
  for (const [name, read] of Object.entries(readers)) {
    source.addEventListener(name, (event) => {
      read(JSON.parse(event.data));
      draw();
    });
  }
  source.addEventListener("error", () => {
    // The browser retries a broken stream by itself, but not a refused one.
    if (source.readyState === EventSource.CLOSED) setTimeout(connect, RETRY_MS);
  });
}

// ---- what people do

async function acknowledge(key) {
  const alert = model.alerts.get(key);
  const item = items.get(key);
  if (!alert || item.busy) return;
  item.busy = true;
  item.button.setAttribute("aria-disabled", "true");
  const body = { seen: alert.changed_at };
  const by = byId("by").value.trim();
  if (by) body.by = by;
  let said;
  try {
    const answer = await fetch(`/api/v1/alerts/${encodeURIComponent(alert.alert_id)}/acknowledge`, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(body),
    });
    const document_ = await answer.json();
    if (answer.ok) {
      said = `Acknowledged: ${place(alert)}.`;
      notes.delete(key);
      if (document_.state === "normal") model.alerts.delete(key);
      else if (model.alerts.has(key)) model.alerts.set(key, document_);
    } else {
      said = `Not acknowledged. ${document_.detail || document_.title || ""}`;
      notes.set(key, said);
    }
  } catch {
    said = "Not acknowledged: the server could not be reached.";
    notes.set(key, said);
  }
  item.busy = false;
  item.button.removeAttribute("aria-disabled");
  put(byId("said-later"), said);
  drawNow();
}

// ---- drawing

function draw() {
  if (drawing) return;
  drawing = true;
  // Not an animation frame: those stop in a background tab.
  setTimeout(drawNow, 0);
}

function drawNow() {
  drawing = false;
  drawAlerts();
  drawAircraft();
  drawHead();
  drawTime();
}

function drawHead() {
  const alerts = [...model.alerts.values()];
  const waiting = alerts.filter((alert) => WAITING.has(alert.state)).length;
  const handled = alerts.length - waiting;
  const plural = (number, one, many) => `${number} ${number === 1 ? one : many}`;
  put(
    byId("summary"),
    proved
      ? `${plural(waiting, "alert waits", "alerts wait")} for someone, ${handled} dealt with or set aside; ${model.aircraft.size} aircraft.`
      : "Waiting for the first picture.",
  );
  const health = model.health;
  const trouble = health && !health.ready ? `Not to be relied on now: ${(health.reasons || []).join("; ") || "no reason given"}.` : "";
  put(byId("trouble"), trouble);
  byId("no-alerts").hidden = alerts.length > 0;
  byId("no-aircraft").hidden = model.aircraft.size > 0;
}

function newItem(key) {
  const item = { root: make("li", "alert"), busy: false, priority: null };
  item.body = make("div", "body");
  item.heading = make("h3");
  item.heading.tabIndex = -1;
  item.word = make("span", "word");
  item.place = make("span");
  item.heading.append(item.word, " ", item.place);
  item.action = make("p", "action");
  item.text = make("p");
  item.consequence = make("p", "quiet");
  item.status = make("p", "quiet");
  item.said = make("p", "said");
  item.body.append(item.heading, item.action, item.text, item.consequence, item.status, item.said);
  item.act = make("div", "act");
  item.button = make("button", "", "Acknowledge");
  item.button.type = "button";
  item.button.addEventListener("click", () => acknowledge(key));
  item.act.append(item.button);
  item.root.append(item.body, item.act);
  return item;
}

function statusOf(alert) {
  const parts = [`Raised ${clockOf(alert.raised_at)}.`];
  const by = alert.by ? ` by ${alert.by}` : "";
  const why = alert.reason ? ` (${alert.reason})` : "";
  const words = {
    unacknowledged: "Nobody has it yet.",
    acknowledged: `Acknowledged${by}${why}.`,
    rtn_unacknowledged: "It is over, but nobody has acknowledged it.",
    latched: "Waits for a reset.",
    shelved: `Shelved until ${alert.shelved_until ? clockOf(alert.shelved_until) : "an unknown time"}${why}.`,
    suppressed: "Suppressed by another alert.",
    out_of_service: "Out of service by a permit.",
  };
  parts.push(words[alert.state] || String(alert.state));
  if (alert.blind) parts.push("Its sensors went silent: it is not proven over.");
  if (alert.late) parts.push("It came late.");
  if (alert.simulated) parts.push("Simulated.");
  if (alert.drill) parts.push("Drill.");
  return parts.join(" ");
}

function drawAlerts() {
  const list = byId("alert-list");
  const order = [...model.alerts.entries()].sort(
    ([, a], [, b]) =>
      Number(!WAITING.has(a.state)) - Number(!WAITING.has(b.state)) ||
      rank(a.priority) - rank(b.priority) ||
      String(b.raised_at).localeCompare(String(a.raised_at)) ||
      String(a.alert_id).localeCompare(String(b.alert_id)),
  );
  const focused = document.activeElement;
  const lostFocus = [];
  for (const [key, item] of items) {
    if (model.alerts.has(key)) continue;
    if (item.root.contains(focused)) lostFocus.push(null);
    item.root.remove();
    items.delete(key);
  }
  order.forEach(([key, alert], index) => {
    let item = items.get(key);
    if (!item) {
      item = newItem(key);
      items.set(key, item);
    }
    const waits = WAITING.has(alert.state);
    if (item.priority !== alert.priority) {
      item.priority = alert.priority;
      if (item.mark) item.mark.remove();
      item.mark = mark(alert.priority);
      item.root.prepend(item.mark);
    }
    item.root.className = `alert ${PRIORITIES.includes(alert.priority) ? alert.priority : ""} ${waits ? "" : "settled"}`;
    put(item.word, `${PRIORITY_WORDS[alert.priority] || alert.priority}`);
    put(item.place, [place(alert), alert.stand ? `on ${alert.stand}` : ""].filter(Boolean).join(" "));
    put(item.action, alert.action || "");
    put(item.text, alert.text || alert.code);
    put(item.consequence, alert.consequence || "");
    put(item.status, statusOf(alert));
    put(item.said, notes.get(key) || "");
    item.button.setAttribute("aria-label", `Acknowledge: ${PRIORITY_WORDS[alert.priority] || ""} ${place(alert)}, ${alert.text || alert.code}`);
    if (!waits && item.act.contains(focused)) lostFocus.push(item.heading);
    item.act.hidden = !waits;
    if (list.children[index] !== item.root) moveTo(list, item.root, index);
  });
  for (const target of lostFocus) (target || byId("alerts-heading")).focus();
}

function moveTo(list, node, index) {
  // Moving a node loses its focus; give it back to whoever was pressing keys there.
  const focused = node.contains(document.activeElement) ? document.activeElement : null;
  list.insertBefore(node, list.children[index] || null);
  if (focused) focused.focus();
}

function newCard(reg) {
  const card = { root: make("article", "aircraft"), rows: new Map() };
  const headingId = `aircraft-${reg}`;
  card.heading = make("h3");
  card.heading.id = headingId;
  card.root.setAttribute("aria-labelledby", headingId);
  card.facts = make("p", "facts quiet");
  card.kind = make("span");
  card.presence = make("span", "old");
  card.age = make("span");
  card.facts.append(card.kind, card.presence, card.age);
  card.table = make("table");
  card.table.append(make("caption", "", `Doors of ${reg}`));
  const head = make("tr");
  for (const word of ["Door", "State", "Slide", "Alerts"]) {
    const cell = make("th", "", word);
    cell.scope = "col";
    head.append(cell);
  }
  const top = make("thead");
  top.append(head);
  card.body = make("tbody");
  card.table.append(top, card.body);
  card.none = make("p", "quiet", "No door is known yet: waiting for its type.");
  card.root.append(card.heading, card.facts, card.table, card.none);
  return card;
}

function drawAircraft() {
  const list = byId("aircraft-list");
  for (const [reg, card] of cards) {
    if (model.aircraft.has(reg)) continue;
    card.root.remove();
    cards.delete(reg);
  }
  const order = [...model.aircraft.entries()].sort(
    ([a, one], [b, two]) =>
      Number(!one.row.stand) - Number(!two.row.stand) ||
      String(one.row.stand).localeCompare(String(two.row.stand)) ||
      a.localeCompare(b),
  );
  order.forEach(([reg, one], index) => {
    let card = cards.get(reg);
    if (!card) {
      card = newCard(reg);
      cards.set(reg, card);
    }
    const row = one.row;
    put(card.heading, [row.stand, reg].filter(Boolean).join(" · "));
    put(card.kind, [row.type || "type not known", row.simulated ? "simulated" : ""].filter(Boolean).join(", "));
    const presence = PRESENCE_WORDS[row.presence];
    put(card.presence, presence === undefined ? String(row.presence || "") : presence);
    drawDoors(card, reg, one.doors);
    if (list.children[index] !== card.root) list.insertBefore(card.root, list.children[index] || null);
  });
}

function newRow(door) {
  const row = { root: make("tr"), drawn: "" };
  const name = make("th", "", door);
  name.scope = "row";
  row.state = make("span", "state");
  row.since = make("span", "since");
  const state = make("td");
  state.append(row.state, row.since);
  row.slide = make("td");
  row.alerts = make("ul");
  const alerts = make("td");
  alerts.append(row.alerts);
  row.root.append(name, state, row.slide, alerts);
  return row;
}

function drawDoors(card, reg, doors) {
  for (const [door, row] of card.rows) {
    if (doors.has(door)) continue;
    row.root.remove();
    card.rows.delete(door);
  }
  card.table.hidden = doors.size === 0;
  card.none.hidden = doors.size > 0;
  for (const [door, facts] of doors) {
    let row = card.rows.get(door);
    if (!row) {
      row = newRow(door);
      card.rows.set(door, row);
      card.body.append(row.root);
    }
    const unknown = facts.state === "unknown" || facts.state === undefined;
    row.state.className = `state ${unknown ? "none" : CALM_STATES.has(facts.state) ? "" : "off"}`;
    put(row.state, unknown ? "no data" : STATE_WORDS[facts.state] || String(facts.state));
    put(row.since, facts.since ? `since ${clockOf(facts.since)}` : "");
    put(row.slide, slideWord(facts.slide));
    drawDoorAlerts(row, reg, door);
  }
}

function slideWord(slide) {
  if (slide === null || slide === undefined) return "none";
  if (typeof slide === "object") return slideWord(slide.state ?? "no data");
  if (slide === "unknown") return "no data";
  if (slide === "disagree") return "sensors disagree";
  if (slide === true) return "engaged";
  if (slide === false) return "disengaged";
  return String(slide).replaceAll("_", " ");
}

function drawDoorAlerts(row, reg, door) {
  const alerts = [...model.alerts.values()]
    .filter((alert) => alert.aircraft === reg && alert.door === door)
    .sort((a, b) => rank(a.priority) - rank(b.priority) || a.code.localeCompare(b.code));
  const drawn = alerts.map((alert) => `${alert.priority} ${alert.code}`).join("|");
  if (row.drawn === drawn) return;
  row.drawn = drawn;
  row.alerts.replaceChildren(
    ...alerts.map((alert) => {
      const item = make("li", PRIORITIES.includes(alert.priority) ? alert.priority : "");
      item.append(mark(alert.priority), ` ${PRIORITY_WORDS[alert.priority] || alert.priority}: ${alert.code.replaceAll("-", " ")}`);
      return item;
    }),
  );
}

function ageWords(seconds) {
  if (seconds < 5) return "data under 5 s old";
  if (seconds < 120) return `data ${Math.floor(seconds)} s old`;
  if (seconds < 7200) return `data ${Math.floor(seconds / 60)} min old`;
  return `data ${Math.floor(seconds / 3600)} h old`;
}

function drawTime() {
  const silent = silence();
  const dead = silent > SILENCE_MS;
  const notice = byId("notlive");
  if (dead && notice.hidden) {
    put(byId("notlive-word"), proved ? "NOT LIVE SINCE" : "NOT LIVE: no picture has come since");
    put(byId("notlive-time"), proved ? clock(proved.server) : clock(opened.wall));
  }
  // What lies under the notice is out of reach of keys and of screen readers too.
  byId("live").inert = dead;
  notice.hidden = !dead;
  const now = serverNow();
  if (now === null) return;
  put(byId("time"), clock(now));
  for (const [reg, one] of model.aircraft) {
    const card = cards.get(reg);
    if (!card) continue;
    const heard = Date.parse(one.heard ?? "");
    const seconds = Number.isNaN(heard) ? null : Math.max(0, (now - heard) / 1000);
    const feed = FEED_WORDS[one.row.feed] ?? String(one.row.feed ?? "");
    const lost = feed !== "";
    const old = seconds === null || seconds >= 10;
    const age = seconds === null ? "nothing heard yet" : ageWords(seconds);
    put(card.age, lost ? `${feed}, ${age}` : age);
    card.age.className = old || lost ? "old" : "";
    card.root.className = old || lost ? "aircraft unheard" : "aircraft";
  }
}

// ---- start

try {
  byId("by").value = localStorage.getItem("by") || "";
} catch {
  // Storage may be switched off; the name is then asked for each time.
}
byId("by").addEventListener("change", () => {
  try {
    localStorage.setItem("by", byId("by").value.trim());
  } catch {
    // As above.
  }
});
document.addEventListener("visibilitychange", drawTime);
setInterval(drawTime, 500);
connect();
