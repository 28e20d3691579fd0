// Follows the inspection and shows it; sends what is pressed. Text is only ever set as text.

import { WORDS } from "/words.js";
import { drawEngine, drawScale, Spectrogram } from "/drawing.js";

const SILENT_MS = 5000; // without a sign of life the page says that it has lost the program
const AGAIN_MS = 1000;
const TYPING = ["gauge"];
const ANSWERS = ["confirm", "no", "repeat"]; // while a value waits for one, nothing else is offered
const OPEN_CAUTIONS = 2; // the others are one press away
const MOST_UNREAD = 1 << 20; // characters of an event that never ends
const by = (id) => document.getElementById(id);
const spectrogram = new Spectrogram(by("spectrogram"));
let token = location.hash.slice(1);
let lastSign = performance.now();
let offered = "";
let typed = "";

// Writes only what has changed, so that a screen reader is not told the same again.
function say(id, text) {
  const element = by(id);
  if (element.textContent !== text) element.textContent = text;
}

function list(parent, rows) {
  const told = JSON.stringify(rows);
  if (parent.dataset.told === told) return;
  parent.dataset.told = told;
  parent.replaceChildren(...rows.map(({ text, state }) => {
    const row = document.createElement("li");
    row.textContent = text;
    if (state) row.dataset.state = state;
    return row;
  }));
  parent.hidden = rows.length === 0;
}

function show(shown) {
  document.body.dataset.phase = shown.phase;
  say("instruction", shown.instruction);
  say("detail", shown.detail);
  const air = WORDS.air[shown.phase] ?? "";
  say("air", air === shown.instruction ? "" : air);
  say("seconds", shown.seconds_left === null ? "" : WORDS.seconds(shown.seconds_left));
  say("cycle", shown.cycle ? WORDS.cycle(...shown.cycle) : "");
  list(by("warnings"), shown.warnings.map((text) => ({ text })));
  const cautions = shown.cautions.map((text) => ({ text }));
  const open = shown.phase === "cautions" ? cautions.length : OPEN_CAUTIONS;
  list(by("cautions"), cautions.slice(0, open));
  list(by("more-cautions"), cautions.slice(open));
  by("more").hidden = cautions.length <= open;
  say("heard", shown.heard || WORDS.silence);
  say("said", shown.said || WORDS.silence);
  showPlace(shown);
  showSound(shown);
  showVerdicts(shown);
  const answering = shown.phase === "read-back" && shown.actions.includes("confirm");
  showButtons(answering ? ANSWERS : shown.actions);
  by("buttons").hidden = shown.actions.length === 0;
  by("keypad").hidden = !shown.actions.includes("reading") || !TYPING.includes(shown.phase);
}

function showPlace(shown) {
  const { cylinder, point, plan } = shown;
  const spoken = point?.replaceAll("-", " ");
  say("place-title", cylinder === null ? (shown.engine?.label || WORDS.noPlace)
    : spoken ? WORDS.place(cylinder, spoken) : WORDS.cylinderOnly(cylinder));
  say("seal", shown.point_seal);
  const key = JSON.stringify([shown.engine, cylinder, point, plan.length]);
  if (by("engine").dataset.told !== key) {
    by("engine").dataset.told = key;
    drawEngine(by("engine"), shown);
  }
  list(by("steps"), plan.filter((s) => s.cylinder === cylinder).map((s) => ({
    state: s.state,
    text: `${WORDS.signs[s.state]} ${s.point.replaceAll("-", " ")}: ${s.result || WORDS.states[s.state]}`,
  })));
  const done = plan.filter((s) => s.state === "done" || s.state === "skipped").length;
  say("progress", plan.length ? WORDS.progress(done, plan.length) : "");
}

function showSound({ meter, spectrogram: columns, band_hz }) {
  const { level_db, baseline_db, rise_db, detectable_db } = meter;
  const now = level_db === null || baseline_db === null ? null : level_db - baseline_db;
  const best = rise_db ?? now;
  const words = [];
  if (level_db === null) words.push(WORDS.noSound);
  else if (baseline_db === null) words.push(WORDS.noBaseline);
  else words.push(rise_db === null ? WORDS.now(now) : WORDS.rise(rise_db));
  if (rise_db !== null && detectable_db !== null) {
    words.push((rise_db >= detectable_db ? WORDS.enough : WORDS.tooFaint)(detectable_db));
  } else if (detectable_db !== null) words.push(WORDS.counts(detectable_db));
  say("sound-words", words.join(",\n"));
  drawScale(by("scale"), now, rise_db, detectable_db);
  by("meter").setAttribute("aria-valuenow", best === null ? 0 : best.toFixed(2));
  by("meter").setAttribute("aria-valuetext", words.join(", "));
  spectrogram.add(columns);
  say("top-hz", WORDS.hz(band_hz[1]));
  say("bottom-hz", WORDS.hz(band_hz[0]));
}

function showVerdicts({ verdicts }) {
  const panel = by("verdict");
  const told = JSON.stringify(verdicts);
  if (panel.dataset.told === told) return;
  panel.dataset.told = told;
  panel.hidden = verdicts.length === 0;
  const inOrder = [...verdicts.filter((v) => !v.sound), ...verdicts.filter((v) => v.sound)];
  panel.replaceChildren(...inOrder.flatMap((v) => {
    if (v.sound) return [element("p", `${WORDS.verdictOf(v.cylinder)}: ${WORDS.inOneLine(v.text, v.ranking[0]?.sure ?? "")}`)];
    const title = element("h3", `${WORDS.verdictOf(v.cylinder)}: ${v.text}`);
    const rows = element("ol");
    rows.append(...v.ranking.slice(0, 4).map((c) => {
      const row = element("li", `${c.sure} ${c.name}`);
      row.style.setProperty("--share", `${Math.min(1, Math.max(0, c.probability)) * 100}%`);
      return row;
    }));
    return v.next_check ? [title, rows, element("p", WORDS.nextCheck(v.next_check))] : [title, rows];
  }));
}

function element(name, text = "") {
  const made = document.createElement(name);
  made.textContent = text;
  return made;
}

function showButtons(actions) {
  if (offered === actions.join()) return;
  offered = actions.join();
  by("buttons").replaceChildren(...actions.filter((a) => a in WORDS.actions).map((action) => {
    const [text, key] = WORDS.actions[action];
    const button = element("button", text);
    button.type = "button";
    button.id = `press-${action}`;
    button.dataset.key = key;
    button.setAttribute("aria-keyshortcuts", `Alt+${key.toUpperCase()}`);
    button.append(element("kbd", `Alt ${key.toUpperCase()}`));
    button.addEventListener("click", () => send({ action }));
    return button;
  }));
}

// Alt and a letter, alike in every browser.
function shortcut(e) {
  if (!e.altKey || e.ctrlKey || e.metaKey || e.repeat) return;
  const button = document.querySelector(`#buttons [data-key="${CSS.escape(e.key.toLowerCase())}"]`);
  if (!button) return;
  e.preventDefault();
  button.click();
}

async function send(told) {
  try {
    const answer = await fetch("/press", {
      method: "POST",
      headers: { "Content-Type": "application/json", "X-Earwitness-Token": token },
      body: JSON.stringify(told),
    });
    if (!answer.ok) say("said", (await answer.text()).trim());
    return answer.ok;
  } catch { return false; }
}

function makeKeypad() {
  by("quantity").setAttribute("aria-label", WORDS.quantity);
  by("quantity").append(...WORDS.quantities.map(([, , text], i) => new Option(text, String(i))));
  const press = (key) => {
    if (key === WORDS.erase) typed = typed.slice(0, -1);
    else if (typed.length < 6 && !(key === "." && typed.includes("."))) typed += key;
    say("number", typed);
  };
  const keys = [..."123456789.0"].map((key) => [key, () => press(key)]);
  keys.push([WORDS.erase, () => press(WORDS.erase)]);
  say("enter", WORDS.send);
  by("keys").append(...keys.map(([text, act]) => {
    const button = element("button", text);
    button.type = "button";
    button.addEventListener("click", act);
    return button;
  }));
  by("keypad").addEventListener("submit", (e) => { e.preventDefault(); enter(); });
}

async function enter() {
  const [quantity, unit] = WORDS.quantities[Number(by("quantity").value)];
  if (!typed || typed === ".") return;
  if (await send({ action: "reading", value: `${quantity} ${typed} ${unit}` })) typed = "";
  say("number", typed);
}

async function follow() {
  const answer = await fetch("/events", { headers: { "X-Earwitness-Token": token } });
  if (answer.status === 401) { askForCode(); return false; }
  if (!answer.ok) throw new Error(String(answer.status));
  by("bay").hidden = false;
  const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
  let unread = "";
  for (;;) {
    const { value, done } = await reader.read();
    if (done) return true;
    lastSign = performance.now();
    by("lost").hidden = true;
    unread += value;
    if (unread.length > MOST_UNREAD) { await reader.cancel(); return true; }
    const events = unread.split("\n\n");
    unread = events.pop();
    for (const event of events) if (event.startsWith("data: ")) show(JSON.parse(event.slice(6)));
  }
}

async function run() {
  for (;;) {
    try { if (!(await follow())) return; } catch { /* said below, and tried again */ }
    lose();
    await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
  }
}

function lose() {
  say("lost", WORDS.lost);
  by("lost").hidden = false;
}

function askForCode() {
  by("bay").hidden = true;
  by("pairing").hidden = false;
  say("pairing-title", token ? WORDS.shut : WORDS.pairing);
  say("code-label", WORDS.code);
  say("pair-button", WORDS.pair);
}

async function pair(e) {
  e.preventDefault();
  const answer = await fetch("/pair", {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ code: by("code").value }),
  });
  if (!answer.ok) { say("pairing-told", (await answer.text()).trim()); return; }
  token = (await answer.json()).token;
  history.replaceState(null, "", `#${token}`);
  by("pairing").hidden = true;
  run();
}

document.title = WORDS.title;
say("instruction", WORDS.waiting);
say("sound-title", WORDS.sound);
say("more-title", WORDS.more);
say("talk-title", WORDS.talk);
say("heard-title", WORDS.heard);
say("said-title", WORDS.said);
by("meter").setAttribute("aria-label", WORDS.meterName);
by("spectrogram").setAttribute("aria-label", WORDS.spectrogram);
makeKeypad();
by("pairing").addEventListener("submit", pair);
addEventListener("keydown", shortcut);
setInterval(() => { if (performance.now() - lastSign > SILENT_MS) lose(); }, 1000);
run();
