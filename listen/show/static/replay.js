// The page of a finished run: first a sentence, then the first flag, then everything along time.

import {FIXED_LINE, NO_CONTACTS, STATE_WORDS, clockText, lengthNumber, make, write} from "./words.js";
import {Spectrum, Track} from "./track.js";
import {LANES, Scope} from "./scope.js";
import {listenToPointer} from "./pointer.js";
import {Player, heldBytes, unpacked} from "./player.js";
import {Listing} from "./listing.js";
import {Plan} from "./plan.js";
import {contactRow, fillTable, flagRow, simpleRow, stretchText, verdictText} from "./tables.js";
import {wireCorrections} from "./correct.js";
import {wireRecord} from "./first_record.js";
import {wireReference} from "./against.js";

const run = JSON.parse(document.getElementById("data").textContent);
const $ = (id) => document.getElementById(id);
const hasSound = run.sound_type !== "";
const track = new Track(run);
const player = new Player(run.duration_s);
const page = {run, track, player, $, scope: null, picked: null, say, play: playContact, refresh: null, toldAt: 0};

function say(text) {
  write($("said"), text);
}

function writeHead() {
  const parts = [run.program || run.source, run.kind, run.material, run.started.replace("T", " ").slice(0, 16)];
  $("which").textContent = parts.filter(Boolean).join(" · ");
  write($("sentence"), run.sentence);
  document.querySelector(".fixed").textContent = FIXED_LINE;
  if (run.made) writeMade();
  $("record").hidden = run.of_made_sound;
  if (run.complete && !run.problem) return;
  $("trouble").hidden = false;
  $("trouble").textContent = `This run is not whole: ${run.problem}. What was recorded until then is shown.`;
}

// A preview was made: nothing of it was heard, judged or flagged, or can be corrected; a replay of it can, but belongs on no record.
function writeMade() {
  for (const id of ["correct", "flags", "next-flag", "flag-key"]) $(id).hidden = true;
  $("contacts").classList.add("made");
  $("verdict-head").textContent = "How it was made";
  $("heard-head").textContent = "Made";
}

function contactOf(id) {
  return run.contacts.find((row) => row.id === id) ?? null;
}

function stretchOf(row) {
  const both = [row.heard, row.expected].filter(Boolean);
  if (!both.length) return null;
  return {from: Math.min(...both.map((pair) => pair[0])), to: Math.max(...both.map((pair) => pair[1]))};
}

function around(stretch) {
  const room = Math.max(0.4, 0.35 * (stretch.to - stretch.from));
  return {from: Math.max(0, stretch.from - room), to: Math.min(run.duration_s, stretch.to + room)};
}

function pick(row) {
  page.picked = row;
  if (page.scope) page.scope.picked = row?.id ?? null;
  for (const line of document.querySelectorAll("#contact-rows tr")) {
    line.setAttribute("aria-selected", String(row !== null && line.dataset.contact === String(row.id)));
  }
  if ($("loop").getAttribute("aria-pressed") === "true") setLoop(true);
  page.refresh?.();
  page.scope?.redraw();
}

function playContact(row) {
  const stretch = stretchOf(row);
  if (!stretch) return;
  pick(row);
  const view = around(stretch);
  page.scope.setView(view.from, view.to);
  player.play(view.from, $("loop").getAttribute("aria-pressed") === "true" ? null : view.to);
  say(`${row.label}: expected ${stretchText(row.expected)}, heard ${stretchText(row.heard)}, ${verdictText(row, run.unit)}`);
}

function flagStretch(flag) {
  const row = contactOf(flag.contact);
  return (row && stretchOf(row)) ?? {from: flag.at_s - 1, to: flag.at_s + 1};
}

function playFlag(flag) {
  const row = contactOf(flag.contact);
  if (row && stretchOf(row)) playContact(row);
  else {
    const view = around(flagStretch(flag));
    page.scope.setView(view.from, view.to);
    player.play(view.from, view.to);
  }
  say(`${flag.kind}: ${flag.text}`);
}

function nextFlag() {
  if (!run.flags.length) return say("No flags in this run. That is no permission: look at the part.");
  const flag = run.flags.find((one) => flagStretch(one).from > player.second + 0.01) ?? run.flags[0];
  const stretch = flagStretch(flag);
  pick(contactOf(flag.contact));
  player.seek(stretch.from);
  const view = around(stretch);
  page.scope.setView(view.from, view.to);
  return say(`${clockText(flag.at_s)} ${flag.kind}: ${flag.text}`);
}

function contactHere() {
  const inside = (row) => { const s = stretchOf(row); return s && player.second >= s.from && player.second <= s.to; };
  return run.contacts.find(inside) ?? page.picked;
}

function setLoop(on) {
  const row = on ? page.picked ?? contactHere() : null;
  const stretch = row && stretchOf(row);
  player.loop = stretch ? around(stretch) : null;
  if (player.loop) player.stopAt = null;
  $("loop").setAttribute("aria-pressed", String(Boolean(player.loop)));
  if (on) say(stretch ? `Looping ${row.label}` : "No contact here to loop: pick one in the table, or go to one.");
}

function tellPlace(second) {
  const {scope} = page;
  scope.playhead = second;
  if (player.running && (second > scope.view.to || second < scope.view.from)) {
    const length = scope.view.to - scope.view.from;
    scope.setView(second - 0.05 * length, second + 0.95 * length);
  } else scope.drawPlayhead();
  page.plan?.moveTo(track.programTime(second));
  const now = performance.now();
  if (player.running && now - page.toldAt < 100) return; // words ten times a second are enough
  page.toldAt = now;
  tellWords(second);
}

function tellWords(second) {
  const line = track.lineAt(second);
  const file = track.fileAt(second);
  const state = track.stateAt(second);
  const words = [clockText(second, 2), line === null ? "" : `line ${line}${file && ` in ${file}`}`, state ? STATE_WORDS[state] : ""];
  $("here").textContent = words.filter(Boolean).join(" · ");
  page.listing?.show(line, file);
  const place = page.plan?.at(track.programTime(second));
  if (place) write($("place"), [["X", place.x], ["Y", place.y], ["Z", place.z]].filter(([, at]) => at !== null)
    .map(([axis, at]) => `${axis} ${lengthNumber(at, run.unit, 1)}`).join("  "));
  $("scope").setAttribute("aria-valuenow", second.toFixed(2));
  $("scope").setAttribute("aria-valuetext", $("here").textContent);
}

function onKey(event) {
  if (event.target.closest("input, textarea, select, button, summary, a") || event.ctrlKey || event.metaKey || event.altKey) return;
  const step = event.shiftKey ? 0.1 : 1;
  const deeds = {
    " ": () => player.toggle(), n: nextFlag, l: () => setLoop(!player.loop),
    ArrowLeft: () => player.seek(player.second - step), ArrowRight: () => player.seek(player.second + step),
    Home: () => player.seek(0), End: () => player.seek(run.duration_s),
    "+": () => page.scope.zoom(0.6, player.second), "=": () => page.scope.zoom(0.6, player.second),
    "-": () => page.scope.zoom(1 / 0.6, player.second), 0: () => page.scope.showAll(),
  };
  const deed = deeds[event.key];
  const moves = event.key.startsWith("Arrow") || event.key === "Home" || event.key === "End" || event.key === " ";
  if (!deed || (moves && event.target !== $("scope") && event.target !== document.body)) return;
  event.preventDefault();
  deed();
}

function wireControls() {
  $("play").onclick = () => player.toggle();
  $("next-flag").onclick = nextFlag;
  $("loop").onclick = () => setLoop(!player.loop);
  $("speed").onchange = (event) => player.setSpeed(Number(event.target.value));
  $("closer").onclick = () => page.scope.zoom(0.5, player.second);
  $("wider").onclick = () => page.scope.zoom(2, player.second);
  $("whole").onclick = () => page.scope.showAll();
  $("comb").onclick = () => {
    page.scope.comb = !page.scope.comb;
    $("comb").setAttribute("aria-pressed", String(page.scope.comb));
    page.scope.redraw();
  };
  player.addEventListener("tick", (event) => tellPlace(event.detail));
  player.addEventListener("state", () => { $("play").textContent = player.running ? "Pause" : "Play"; });
  document.addEventListener("keydown", onKey);
  if (!hasSound) say("No sound was kept with this run; the lanes can still be played.");
}

function writeTables() {
  const deeds = {play: playContact, hasSound, unit: run.unit};
  fillTable($("contact-rows"), run.contacts, (row) => contactRow(row, deeds));
  if (!run.contacts.length) $("contact-rows").append(make("tr", {}, make("td", {colSpan: 9}, NO_CONTACTS)));
  $("untold").hidden = !run.contacts.some((row) => row.verdict === "cannot tell");
  fillTable($("flag-rows"), run.flags, (flag) => flagRow(flag, {play: playFlag, hasSound}));
  if (!run.flags.length) $("flag-rows").append(make("tr", {}, make("td", {colSpan: 4}, "No flags. That is no permission: look at the part.")));
  const label = (id) => contactOf(id)?.label ?? (id === null ? "–" : String(id));
  for (const hold of run.holds) {
    const room = hold.time_to_press_s === null ? "–" : hold.time_to_press_s < 1 ? "no room to hold here" : `${hold.time_to_press_s.toFixed(1)} s`;
    $("hold-rows").append(simpleRow(label(hold.contact), hold.where, hold.how, stretchText([hold.from_s, hold.to_s]), room));
  }
  for (const look of run.looks) $("look-rows").append(simpleRow(clockText(look.at_s, 1), label(look.contact), look.text, look.place));
  if (!run.holds.length) $("hold-rows").append(simpleRow("none reached", "", "", "", ""));
  if (!run.looks.length) $("look-rows").append(simpleRow("none noted", "", "", ""));
}

function writeFirst() {
  const flag = run.flags[0];
  if (!flag) return;
  $("first").hidden = false;
  write($("first-text"), `${clockText(flag.at_s)} ${flag.kind}: ${flag.text}`);
  $("play-first").textContent = hasSound ? "Play first flag" : "Show first flag";
  $("play-first").onclick = () => playFlag(flag);
  const small = new Scope($("first-scope"), track, {lanes: ["ruler", "flags", "expected", "heard"]});
  const view = around(flagStretch(flag));
  small.setView(view.from, view.to);
}

function writeProgram() {
  const marks = new Map(run.contacts.filter((row) => row.needs_look && row.line !== null)
    .map((row) => [`${row.file}:${row.line}`, row.verdict]));
  if (run.listing.length) page.listing = new Listing($("listing"), {"": run.listing, ...run.called}, marks);
  else $("listing").closest("section").hidden = true;
  if (run.plan?.x.some((value) => value !== null)) page.plan = new Plan($("plan"), run.plan);
  else $("plan").closest("section").hidden = true;
}

// The sound stands behind this script, and is still being read while the page is drawn.
async function loadSound() {
  if (document.readyState === "loading") await new Promise((done) => document.addEventListener("DOMContentLoaded", done));
  player.give(heldBytes("sound"), run.sound_type);
  wireReference(page);
  performance.mark("ready");
  document.documentElement.dataset.ready = "yes";
}

async function start() {
  writeHead();
  writeTables();
  wireRecord(page);
  const {hop_s, bands_hz, quiet, loud} = run.spectrum;
  track.spectrum = new Spectrum({hop_s, bands_hz});
  const empty = {load: !run.load.length, rate: !run.position.length};
  page.lanes = LANES.filter((lane) => !empty[lane]);
  page.scope = new Scope($("scope"), track, {lanes: page.lanes, quiet, loud, names: run.made ? {heard: "made"} : {}});
  writeFirst();
  writeProgram();
  wireControls();
  listenToPointer(page.scope);
  page.scope.addEventListener("seek", (event) => player.seek(event.detail.second));
  wireCorrections(page);
  $("scope").setAttribute("aria-valuemax", run.duration_s.toFixed(2));
  tellPlace(0);
  track.spectrum.append(await unpacked(heldBytes("spectrum")));
  page.scope.redraw();
  performance.mark("drawn");
  setTimeout(loadSound, 0);
}

globalThis.listenPage = page; // for tests, and for whoever wants to look
start();
