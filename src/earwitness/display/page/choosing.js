// What is chosen by hand: another cylinder or place, a number of cylinders, a gauge reading.

import { WORDS } from "/words.js";
import { point, say } from "/told.js";

const MOST_DIGITS = 6;
const by = (id) => document.getElementById(id);
let typed = "";

export function button(text, act) {
  const made = document.createElement("button");
  made.type = "button";
  made.textContent = text;
  made.addEventListener("click", act);
  return made;
}

// Draws buttons anew only if they differ, so that none is replaced under a finger.
function fillWith(parent, rows, act) {
  const told = JSON.stringify(rows);
  if (parent.dataset.told === told) return;
  const held = parent.contains(document.activeElement) ? document.activeElement.value : null;
  parent.dataset.told = told;
  parent.replaceChildren(...rows.map(({ value, text, here }) => {
    const made = button(text, () => act(value));
    made.value = value;
    if (here) made.setAttribute("aria-current", "true");
    return made;
  }));
  if (held !== null) [...parent.children].find((b) => b.value === held)?.focus();
}

export function makeChooser(send) {
  const dialog = by("chooser");
  by("close").textContent = say("close");
  by("close").addEventListener("click", () => dialog.close());
  by("cylinders-title").textContent = say("choose_cylinder");
  const toCylinder = (n) => send({ action: "cylinder", value: n });
  const toPoint = async (name) => { if (await send({ action: "point", value: name })) dialog.close(); };
  return {
    open: () => dialog.showModal(),
    show(shown) {
      const setUp = shown.phase === "set-up";
      const numbers = shown.cylinders.map((n) => ({ value: String(n), text: String(n), here: !setUp && n === shown.cylinder }));
      fillWith(by("count"), setUp ? numbers : [], toCylinder);
      by("count").hidden = !setUp || numbers.length === 0;
      if (setUp || !offers(shown)) { dialog.close(); return; }
      fillWith(by("cylinders"), numbers, toCylinder);
      by("points-title").textContent = say("choose_point", { n: shown.cylinder });
      fillWith(by("points"), shown.points.map((name) => placeRow(name, shown)), toPoint);
    },
  };
}

export function offers(shown) {
  return shown.phase !== "set-up" && shown.cylinders.length + shown.points.length > 0;
}

function placeRow(name, { plan, cylinder, point: now }) {
  const step = plan.find((s) => s.cylinder === cylinder && s.point === name);
  const here = name === now;
  const sign = step ? SIGNS[here && step.state === "to-do" ? "now" : step.state] : SIGNS["to-do"];
  return { value: name, text: `${sign} ${point(name)}`, here };
}

export const SIGNS = { "to-do": "○", now: "▶", done: "✓", spoiled: "✕", skipped: "–" };

export function makeKeypad(send) {
  by("quantity").setAttribute("aria-label", say("quantity"));
  by("quantity").append(...WORDS.page.quantities.map(({ label }, i) => new Option(label, String(i))));
  by("enter").textContent = say("send");
  const erase = say("erase");
  const press = (key) => {
    if (key === erase) typed = typed.slice(0, -1);
    else if (typed.length < MOST_DIGITS && !(key === "." && typed.includes("."))) typed += key;
    by("number").textContent = typed;
  };
  by("keys").append(...[..."123456789.0", erase].map((key) => button(key, () => press(key))));
  by("keypad").addEventListener("submit", async (e) => {
    e.preventDefault();
    const { phrase, unit } = WORDS.page.quantities[Number(by("quantity").value)];
    if (!typed || typed === ".") return;
    if (await send({ action: "reading", value: `${phrase} ${typed} ${unit}` })) typed = "";
    by("number").textContent = typed;
  });
}
