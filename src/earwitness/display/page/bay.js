// Follows the inspection and shows it; sends what is pressed. Text is only ever set as text.

import { WORDS } from "/words.js";
import { button, makeChooser, makeKeypad, offers, SIGNS } from "/choosing.js";
import { drawEngine, drawScale, Spectrogram } from "/drawing.js";
import { decibels, hertz, point as named, say as told, signed } from "/told.js";

const SILENT_MS = 5000; // without a sign of life the page says that it has lost the program
const AGAIN_MS = 1000;
const TYPING = ["gauge"];
const ANSWERS = ["confirm", "no", "repeat"]; // while a value waits for one, nothing else is offered
const OPEN_CAUTIONS = 2; // in a few words; all of them are one press away
const MOST_UNREAD = 1 << 20; // characters of an event that never ends
const by = (id) => document.getElementById(id);
const spectrogram = new Spectrogram(by("spectrogram"));
let token = location.hash.slice(1);
let lastSign = performance.now();
let buttons = "";

// Writes only what has changed, so that a screen reader is not told the same again.
function write(id, text) {
  const element = by(id);
  if (element.textContent !== text) element.textContent = text;
}

function list(parent, rows) {
  const key = JSON.stringify(rows);
  if (parent.dataset.told === key) return;
  parent.dataset.told = key;
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
  write("instruction", shown.instruction);
  write("detail", shown.detail);
  const air = WORDS.air[shown.phase] ?? "";
  const { cycle, seconds_left: left } = shown;
  write("air", air === shown.instruction ? "" : air);
  write("seconds", left === null ? "" : told("seconds", { s: Math.ceil(left) }));
  write("cycle", cycle ? told("cycle", { done: cycle[0], wanted: cycle[1] }) : "");
  list(by("warnings"), shown.warnings.map((text) => ({ text })));
  const rows = (texts) => texts.map((text) => ({ text }));
  const unread = shown.phase === "cautions" || shown.brief_cautions.length === 0;
  list(by("cautions"), rows(unread ? shown.cautions : shown.brief_cautions.slice(0, OPEN_CAUTIONS)));
  list(by("all-cautions"), rows(shown.cautions));
  write("heard", shown.heard || told("silence"));
  write("said", shown.said || told("silence"));
  showPlace(shown);
  showSound(shown);
  showVerdicts(shown);
  const answering = shown.phase === "read-back" && shown.actions.includes("confirm");
  const actions = answering ? ANSWERS : offered(shown, unread);
  showButtons(actions);
  chooser.show(answering ? { ...shown, cylinders: [], points: [] } : shown);
  by("buttons").hidden = actions.length === 0;
  by("keypad").hidden = !shown.actions.includes("reading") || !TYPING.includes(shown.phase);
  document.body.dataset.number = shown.number;
}

function showPlace(shown) {
  const { cylinder: n, point, plan } = shown;
  write("place-title", n === null ? (shown.engine?.label || told("engine"))
    : point ? told("place", { n, point: named(point) }) : told("cylinder", { n }));
  write("seal", shown.point_seal);
  const key = JSON.stringify([shown.engine, n, point, plan.length]);
  if (by("engine").dataset.told !== key) {
    by("engine").dataset.told = key;
    drawEngine(by("engine"), shown);
  }
  list(by("steps"), plan.filter((s) => s.cylinder === n).map((s) => ({
    state: s.state,
    text: `${SIGNS[s.state]} ${named(s.point)}: ${s.result || WORDS.page.states[s.state]}`,
  })));
  const done = plan.filter((s) => s.state === "done" || s.state === "skipped").length;
  write("progress", plan.length ? told("progress", { done, all: plan.length }) : "");
}

function showSound({ meter, spectrogram: columns, band_hz }) {
  const { level_db, baseline_db, rise_db, detectable_db } = meter;
  const now = level_db === null || baseline_db === null ? null : level_db - baseline_db;
  const best = rise_db ?? now;
  const first = soundWords(level_db, now, rise_db);
  const notes = best === null ? [] : [told("no_verdict")];
  if (detectable_db !== null) notes.push(told("last_take", { db: decibels(detectable_db) }));
  write("sound-words", first);
  write("sound-notes", notes.join("\n"));
  drawScale(by("scale"), now, rise_db, detectable_db);
  by("meter").setAttribute("aria-valuenow", best === null ? 0 : best.toFixed(2));
  by("meter").setAttribute("aria-valuetext", [first, ...notes].join(". "));
  spectrogram.add(columns);
  write("top-hz", hertz(band_hz[1]));
  write("bottom-hz", hertz(band_hz[0]));
}

function soundWords(level, now, rise) {
  if (level === null) return told("no_sound");
  if (now === null) return told("no_baseline");
  if (rise === null) return told("now", { db: signed(now) });
  return told(rise < 0 ? "fall" : "rise", { db: decibels(rise) });
}

function showVerdicts({ verdicts }) {
  const panel = by("verdict");
  const key = JSON.stringify(verdicts);
  if (panel.dataset.told === key) return;
  panel.dataset.told = key;
  panel.hidden = verdicts.length === 0;
  const inOrder = [...verdicts.filter((v) => !v.sound), ...verdicts.filter((v) => v.sound)];
  panel.replaceChildren(...inOrder.flatMap((v) => {
    const cylinder = told("cylinder", { n: v.cylinder });
    if (v.sound) {
      const line = told("one_line", { text: v.text, sure: v.ranking[0]?.sure ?? "" });
      return [element("p", `${cylinder}: ${line}`)];
    }
    const title = element("h3", `${cylinder}: ${v.text}`);
    const rows = element("ol");
    rows.append(...v.ranking.slice(0, 4).map((c) => {
      const row = element("li", `${c.sure} ${c.name}`);
      row.style.setProperty("--share", `${Math.min(1, Math.max(0, c.probability)) * 100}%`);
      return row;
    }));
    const next = v.next_check ? [element("p", told("next_check", { text: v.next_check }))] : [];
    const leak = element("article");
    leak.append(title, rows, ...next);
    return [leak];
  }));
}

function element(name, text = "") {
  const made = document.createElement(name);
  made.textContent = text;
  return made;
}

// At a place "start" is what "next" would do; the page adds what it shows by itself.
function offered(shown, unread) {
  const asked = shown.actions.filter((a) => a !== "next" || !shown.actions.includes("start"));
  return [...asked, ...(offers(shown) ? ["choose"] : []), ...(unread ? [] : ["cautions"])];
}

const OPENS = { choose: () => chooser.open(), cautions: () => by("all").showModal() };

function showButtons(actions) {
  if (buttons === actions.join()) return;
  buttons = actions.join();
  by("buttons").replaceChildren(...actions.filter((a) => a in WORDS.page.actions).map((action) => {
    const [text, key] = WORDS.page.actions[action];
    const made = button(text, OPENS[action] ?? (() => send({ action })));
    made.id = `press-${action}`;
    made.dataset.key = key;
    made.setAttribute("aria-keyshortcuts", `Alt+${key.toUpperCase()}`);
    if (action === "cautions") made.setAttribute("aria-label", told("all_cautions"));
    made.append(element("kbd", `Alt ${key.toUpperCase()}`));
    return made;
  }));
}

// Alt and a letter, alike in every browser.
function shortcut(e) {
  if (!e.altKey || e.ctrlKey || e.metaKey || e.repeat || document.querySelector("dialog[open]")) return;
  const button = document.querySelector(`#buttons [data-key="${CSS.escape(e.key.toLowerCase())}"]`);
  if (!button) return;
  e.preventDefault();
  button.click();
}

async function send(asked) {
  try {
    const answer = await fetch("/press", {
      method: "POST",
      headers: { "Content-Type": "application/json", "X-Earwitness-Token": token },
      body: JSON.stringify(asked),
    });
    if (!answer.ok) write("said", (await answer.text()).trim());
    return answer.ok;
  } catch { return false; }
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
  write("lost", told("lost"));
  by("lost").hidden = false;
}

function askForCode() {
  by("bay").hidden = true;
  by("pairing").hidden = false;
  write("pairing-title", told(token ? "shut" : "pairing"));
  write("code-label", told("code"));
  write("pair-button", told("pair"));
}

async function pair(e) {
  e.preventDefault();
  const answer = await fetch("/pair", {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ code: by("code").value }),
  });
  if (!answer.ok) { write("pairing-told", (await answer.text()).trim()); return; }
  token = (await answer.json()).token;
  history.replaceState(null, "", `#${token}`);
  by("pairing").hidden = true;
  run();
}

document.title = told("title");
document.documentElement.lang = WORDS.language;
write("instruction", told("waiting"));
write("sound-title", told("sound"));
write("all-title", told("all_cautions"));
write("all-close", told("close"));
by("all-close").addEventListener("click", () => by("all").close());
write("talk-title", told("talk"));
write("heard-title", told("heard"));
write("said-title", told("said"));
by("meter").setAttribute("aria-label", told("meter_name"));
by("spectrogram").setAttribute("aria-label", told("spectrogram"));
makeKeypad(send);
const chooser = makeChooser(send);
by("pairing").addEventListener("submit", pair);
addEventListener("keydown", shortcut);
setInterval(() => { if (performance.now() - lastSign > SILENT_MS) lose(); }, 1000);
run();
