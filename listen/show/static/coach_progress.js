// What a learner has done: kept in this browser, saved as a plain file, erased for good.

import {feedText, lengthText, make} from "./words.js";

export const at = (id) => document.getElementById(id);

const FORMAT = "listening lessons 1";
const PLACE = "listening-lessons";
let done = {format: FORMAT, sessions: []};
let unit = "mm"; // in which lengths are told; kept are mm

function readDone() {
  try {
    const held = JSON.parse(localStorage.getItem(PLACE) ?? "null");
    if (held?.format === FORMAT) done = held;
  } catch { /* this browser keeps nothing for pages from disk: then only the file does */ }
}

function writeDone() {
  try { localStorage.setItem(PLACE, JSON.stringify(done)); } catch { /* as above */ }
  showDays();
}

export const heldSessions = (lesson) => done.sessions.filter((one) => one.lesson === lesson);

export function keepSession(session) {
  done.sessions.push({...session, day: new Date().toISOString().slice(0, 10)});
  writeDone();
}

function inWords(one) {
  if (one.lesson === "name") return `name it: ${one.answers.length} answers, threshold ${one.threshold_db?.toFixed(1) ?? "–"} dB`;
  if (one.lesson === "hold") return `press hold: ${one.reactions_s.length} presses, ${one.missed} missed, ${one.false} false`;
  if (one.lesson === "follow") return `follow the program ${one.program + 1}: ${one.right ? "right" : "not right"}`;
  return `your machine: ${lengthText(one.travel_mm, unit, 2)} at ${feedText(one.feed, unit)}`;
}

// What listening has gained, where there are two tests to compare.
function gainWords() {
  const levels = heldSessions("name").map((one) => one.threshold_db).filter(Number.isFinite);
  if (levels.length < 2) return "";
  const gained_db = levels[0] - levels.at(-1);
  const words = `First test ${levels[0].toFixed(1)} dB, last test ${levels.at(-1).toFixed(1)} dB`;
  return Math.abs(gained_db) < 1 ? `${words}: about the same.` : `${words}: you now hear cuts ${Math.abs(gained_db).toFixed(0)} dB ${gained_db > 0 ? "fainter" : "less faint"}.`;
}

export function showDays() {
  at("gain").textContent = gainWords();
  at("days").replaceChildren(...done.sessions.slice(-100).toReversed().map((one) => make("li", {}, `${one.day}: ${inWords(one)}`)));
}

async function openFile(event, say) {
  try {
    const told = JSON.parse(await event.target.files[0].text());
    if (told.format !== FORMAT || !Array.isArray(told.sessions)) throw new Error("another format");
    done = told;
    writeDone();
    say("Your file is open.");
  } catch {
    say("This is no file of listening lessons; nothing was changed.");
  }
}

export function startProgress(say, told) {
  unit = told;
  readDone();
  at("save").addEventListener("click", () => {
    const link = make("a", {href: URL.createObjectURL(new Blob([`${JSON.stringify(done, null, 1)}\n`], {type: "application/json"})), download: "listening-lessons.json"});
    link.click();
    say("Saved as listening-lessons.json.");
  });
  at("open").addEventListener("change", (event) => openFile(event, say));
  at("erase").addEventListener("click", () => {
    done = {format: FORMAT, sessions: []};
    try { localStorage.removeItem(PLACE); } catch { /* nothing was kept */ }
    showDays();
    say("Erased.");
  });
}
