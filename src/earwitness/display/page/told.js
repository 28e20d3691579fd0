// Puts numbers and names into the sentences that the program gave the page.

import { WORDS } from "/words.js";

export function fill(sentence, slots = {}) {
  return sentence.replace(/\{(\w+)\}/g, (whole, name) => (name in slots ? String(slots[name]) : whole));
}

export function say(name, slots) {
  return fill(WORDS.page[name], slots);
}

export function point(name) {
  const hole = /^plug-hole-(\d+)$/.exec(name);
  if (hole) return fill(WORDS.points["plug-hole"], { n: hole[1] });
  return WORDS.points[name] ?? name.replaceAll("-", " ");
}

export function decibels(db) {
  const size = Math.abs(db);
  return size < 0.95 ? size.toFixed(2) : size.toFixed(1);
}

export function signed(db) {
  return `${db < 0 ? "−" : "+"}${decibels(db)}`;
}

export function hertz(hz) {
  if (hz < 1000) return say("hz", { value: hz.toFixed(0) });
  return say("khz", { value: (hz / 1000).toFixed(hz % 1000 < 50 ? 0 : 1) });
}
