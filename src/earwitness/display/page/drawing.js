// Draws the engine from above, the hiss scale and the running spectrogram. Ink on paper; every
// meaning has a shape and a word besides.

import { point as named, say } from "/told.js";

const SVG = "http://www.w3.org/2000/svg";
const RISE_RANGE_DB = [-3, 12];
const RISE_TICKS_DB = [-1, 0, 0.3, 1, 3, 6, 10];
const INK = [25, 23, 19];
const PAPER = [250, 247, 239];
const LOUD_BYTES = 75; // about 35 dB

export function shape(parent, name, attributes, text) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  parent.append(made);
  return made;
}

// Where the openings lie on the drawing: intake side left, exhaust side right, cooling in front.
const OPENINGS = {
  "oil-filler": [0.5, "top"],
  "throttle-body": [0.28, "left"],
  tailpipe: [0.5, "right"],
  "tailpipe-left": [0.3, "right"],
  "tailpipe-right": [0.72, "right"],
  radiator: [0.78, "left"],
  adapter: [0.25, "bottom"],
  control: [0.75, "bottom"],
};

export function drawEngine(svg, shown) {
  svg.replaceChildren();
  const { engine, cylinder, point, plan } = shown;
  svg.setAttribute("aria-label", cylinder === null || !point ? say("drawing_nothing")
    : say("drawing", { n: cylinder, point: named(point) }));
  if (!engine) return;
  const banks = engine.banks.length;
  const box = { x: 98, y: 46, w: 196, h: 108 };
  shape(svg, "rect", { ...sides(box), rx: 14, class: "block" });
  const longest = Math.max(...engine.banks.map((b) => b.length));
  const radius = Math.min(30, (box.w - 16) / longest / 2 - 2, (box.h - 12) / banks / 2 - 3);
  const spots = {};
  engine.banks.forEach((bank, row) => bank.forEach((number, place) => {
    const x = box.x + box.w * (place + 0.5 + (longest - bank.length) / 2) / longest;
    const y = box.y + box.h * (row + 0.5) / banks;
    spots[`plug-hole-${number}`] = [x, y];
    const mine = number === cylinder;
    const there = point === `plug-hole-${number}`;
    shape(svg, "circle", { cx: x, cy: y, r: radius, class: mine ? "cylinder mine" : "cylinder" });
    if (there) shape(svg, "circle", { cx: x, cy: y, r: radius + 4, class: "probe" });
    shape(svg, "text", { x, y: y + radius * 0.35, class: mine ? "number mine" : "number",
      "font-size": radius }, number);
  }));
  const openings = new Set(plan.filter((s) => s.cylinder === cylinder).map((s) => s.point));
  if (point) openings.add(point);
  for (const name of openings) if (OPENINGS[name]) drawOpening(svg, box, name, name === point);
}

function sides({ x, y, w, h }) { return { x, y, width: w, height: h }; }

function drawOpening(svg, box, name, here) {
  const [share, side] = OPENINGS[name];
  const out = 18;
  const level = side === "top" || side === "bottom";
  const x = side === "left" ? box.x : side === "right" ? box.x + box.w : box.x + box.w * share;
  const y = side === "top" ? box.y : side === "bottom" ? box.y + box.h : box.y + box.h * share;
  const [dx, dy] = { left: [-1, 0], right: [1, 0], top: [0, -1], bottom: [0, 1] }[side];
  const [ex, ey] = [x + dx * out, y + dy * out];
  shape(svg, "path", { d: `M${x} ${y}L${ex} ${ey}`, class: here ? "pipe here" : "pipe" });
  shape(svg, "circle", { cx: ex, cy: ey, r: here ? 9 : 5, class: here ? "opening here" : "opening" });
  const text = { x: ex + dx * 13, y: ey + (level ? dy * 14 + (dy > 0 ? 10 : 0) : 5), class: here ? "label here" : "label",
    "text-anchor": level ? "middle" : side === "left" ? "end" : "start" };
  const words = named(name).split(" ");
  if (level || words.length === 1) { shape(svg, "text", text, words.join(" ")); return; }
  shape(svg, "text", { ...text, y: text.y - 8 }, words[0]);
  shape(svg, "text", { ...text, y: text.y + 9 }, words.slice(1).join(" "));
}

// A root scale: a tenth of a decibel counts in a long take, and ten are still on it.
function along(db) {
  const root = (v) => Math.sign(v) * Math.sqrt(Math.abs(v));
  const [low, high] = RISE_RANGE_DB.map(root);
  return 8 + 384 * Math.min(1, Math.max(0, (root(db) - low) / (high - low)));
}

export function drawScale(svg, now, rise, detectable) {
  svg.replaceChildren();
  const zero = along(0);
  if (detectable !== null) {
    shape(svg, "rect", { x: along(detectable), y: 6, width: 392 - along(detectable), height: 52, class: "counts" });
    shape(svg, "path", { d: `M${along(detectable)} 0V62`, class: "from" });
  }
  if (rise !== null) {
    const to = along(rise);
    shape(svg, "rect", { x: Math.min(zero, to), y: 14, width: Math.max(2, Math.abs(to - zero)), height: 24, class: "rise" });
  }
  if (now !== null) shape(svg, "path", { d: `M${along(now)} 40l8 18h-16z`, class: "now" });
  shape(svg, "path", { d: `M8 62H392M${zero} 2V62`, class: "axis" });
  for (const db of RISE_TICKS_DB) {
    shape(svg, "path", { d: `M${along(db)} 62v6`, class: "axis" });
    shape(svg, "text", { x: along(db), y: 86, class: "tick" }, String(db).replace("-", "−"));
  }
  shape(svg, "text", { x: 8, y: 86, class: "tick unit" }, say("db"));
}

// The last columns, drawn anew with each: the quietest tenth of what is shown is paper, and LOUD_BYTES
// above it is ink, so that a soft microphone draws as well as a loud one.
export class Spectrogram {
  constructor(canvas) {
    this.canvas = canvas;
    this.ink = canvas.getContext("2d", { alpha: false });
    this.columns = [];
    this.draw();
  }

  add(columns) {
    const last = this.columns.at(-1)?.[0] ?? -1;
    const fresh = columns.filter(([number]) => number > last);
    if (fresh.length === 0) return;
    for (const [number, coded] of fresh) {
      this.columns.push([number, Uint8Array.from(atob(coded), (c) => c.charCodeAt(0))]);
    }
    this.columns = this.columns.slice(-this.canvas.width);
    this.draw();
  }

  draw() {
    const { width } = this.canvas;
    const bands = this.columns.at(-1)?.[1].length ?? this.canvas.height;
    if (this.canvas.height !== bands) this.canvas.height = bands;
    const picture = this.ink.createImageData(width, bands);
    for (let i = 0; i < picture.data.length; i += 4) picture.data.set([...PAPER, 255], i);
    const quiet = this.quietByte();
    for (const [number, bytes] of this.columns) {
      const x = width - 1 - (this.columns.at(-1)[0] - number);
      if (x < 0 || bytes.length !== bands) continue;
      bytes.forEach((byte, band) => {
        const dark = Math.min(1, Math.max(0, (byte - quiet) / LOUD_BYTES));
        const at = 4 * ((bands - 1 - band) * width + x);
        PAPER.forEach((paper, c) => { picture.data[at + c] = paper + (INK[c] - paper) * dark; });
      });
    }
    this.ink.putImageData(picture, 0, 0);
  }

  quietByte() {
    const counts = new Uint32Array(256);
    let all = 0;
    for (const [, bytes] of this.columns) for (const byte of bytes) { counts[byte] += 1; all += 1; }
    let byte = 0;
    for (let below = counts[0]; below < all / 10 && byte < 255;) below += counts[++byte];
    return byte;
  }
}
