// Every word that the page itself says; what the program says comes with each snapshot.

export const WORDS = {
  title: "Bay page",
  waiting: "Waiting for the program",
  lost: "This page has lost the program. Trust its voice, not this page. Trying again …",
  shut: "The address of this page has run out. Open the one that the program prints now.",
  air: { "air-on": "Air on", "air-off": "Air off" },
  seconds: (s) => `${Math.ceil(s)} s`,
  cycle: (done, wanted) => `${done} of ${wanted} times`,
  place: (cylinder, point) => `Cylinder ${cylinder}: ${point}`,
  cylinderOnly: (cylinder) => `Cylinder ${cylinder}`,
  noPlace: "Engine",
  progress: (done, all) => `${done} of ${all} places done`,
  sound: "Hiss",
  noSound: "No sound yet",
  noBaseline: "Learning this place with the air off",
  rise: (db) => `${signed(db)} dB with the air on`,
  now: (db) => `Now ${signed(db)} dB against air off`,
  counts: (db) => `${plain(db)} dB would count`,
  enough: (db) => `above the ${plain(db)} dB that count`,
  tooFaint: (db) => `below the ${plain(db)} dB that would count`,
  meterName: "Hiss against air off",
  spectrogram: "Sound of the last 24 seconds, low below, high above, loud dark",
  hz: (hz) => (hz >= 1000 ? `${(hz / 1000).toFixed(hz % 1000 < 50 ? 0 : 1)} kHz` : `${hz.toFixed(0)} Hz`),
  talk: "Said",
  more: "All cautions",
  heard: "You",
  said: "Program",
  silence: "–",
  verdictOf: (n) => `Cylinder ${n}`,
  inOneLine: (text, sure) => `${text}, ${sure}`,
  nextCheck: (text) => `Next check: ${text}`,
  engineDrawing: (cylinder, point) => `The engine from above. Now: cylinder ${cylinder ?? "none"}, ${point ?? "no place"}.`,
  states: { "to-do": "to do", now: "now", done: "done", spoiled: "spoiled, take again", skipped: "left out" },
  signs: { "to-do": "○", now: "▶", done: "✓", spoiled: "✕", skipped: "–" },
  actions: {
    understood: ["Understood", "u"],
    start: ["Start", "s"],
    again: ["Again", "a"],
    next: ["Next", "n"],
    skip: ["Leave out", "l"],
    pause: ["Pause", "p"],
    resume: ["Go on", "g"],
    confirm: ["Yes, store", "y"],
    no: ["No", "x"],
    "scratch-that": ["Take back", "b"],
    repeat: ["Say again", "r"],
    finish: ["End", "e"],
  },
  quantities: [
    ["leakage", "percent", "Leakage, %"],
    ["supply pressure", "psi", "Supply, psi"],
    ["supply pressure", "kpa", "Supply, kPa"],
    ["cylinder pressure", "psi", "Cylinder, psi"],
    ["cylinder pressure", "kpa", "Cylinder, kPa"],
  ],
  quantity: "Which gauge",
  send: "Enter",
  erase: "Erase",
  pairing: "Pair this screen",
  code: "The eight digits that the program shows",
  pair: "Pair",
};

function plain(db) {
  return Math.abs(db) < 0.95 ? db.toFixed(2) : db.toFixed(1);
}

function signed(db) {
  const shown = plain(db);
  return db < 0 ? shown.replace("-", "−") : `+${shown}`;
}
