// The live page: shows the newest frame, keeps the history, and says at once when nothing comes.

import {beep, beepsNow} from "./beep.js";
import {Scope} from "./scope.js";
import {Spectrum, Track} from "./track.js";
import {FIXED_LINE, STATE_WORDS, clockText, lengthNumber, lengthText, make, mmPer, write} from "./words.js";

const SILENT_MS = 250; // without a frame for this long the page says NOT LISTENING
const SHOWN_S = 30;
const KEPT = 4000;
const QUIET = ["as expected", "cannot tell"];
const $ = (id) => document.getElementById(id);

const track = new Track();
let scope = null;
let sheet = null;
let socket = null;
let started = false;
let wanted = null; // whether details are shown, where the person chose
let lastFrame = -Infinity;
let bands = 0;
let keeps = "";
let now = {listening: false, recording: false, trouble: "", state: null, cue: null, flag: null, next: null, held: false, t: 0};
let retry_ms = 200;
let doubts = []; // verdicts that nobody needs to act on at once, for a hold

function put(element, text) {
  if (element.textContent !== text) write(element, text);
}

function connect() {
  socket = new WebSocket(`ws://${location.host}/live`);
  socket.addEventListener("message", (event) => take(JSON.parse(event.data)));
  socket.addEventListener("close", (event) => {
    if (event.reason) put($("said"), event.reason);
    setTimeout(connect, retry_ms);
    retry_ms = Math.min(3000, retry_ms * 1.6);
  });
}

function take(message) {
  if (message.type === "hello") greet(message);
  else frame(message);
}

function greet(hello) {
  retry_ms = 200;
  keeps = hello.keeps;
  sheet = hello.sheet;
  put($("z-unit"), unit());
  bands = hello.bands_hz.length;
  put($("fixed"), hello.fixed_line || FIXED_LINE);
  warn(hello.warnings);
  offer($("kinds"), "kind", hello.kinds);
  offer($("keeps"), "keep", hello.choices);
  for (const lane of ["expected", "heard", "flags", "load", "position", "gaps", "marks"]) track[lane] = [];
  track.spectrum = null;
  started = false;
  doubts = [];
  track.hello = hello;
  if (sheet && !$("listing").childElementCount) {
    $("program").hidden = sheet.listing.length === 0;
    sheet.listing.forEach((line, i) => $("listing").append(
      make("li", {id: `line-${i + 1}`}, make("span", {class: "number"}, String(i + 1)), make("code", {textContent: line}))));
  }
}

// What is wrong with the program: before it records, and in a hold.
function warn(texts) {
  for (const box of document.querySelectorAll(".warns")) {
    box.hidden = texts.length === 0;
    box.querySelector("ul").replaceChildren(...texts.map((text) => make("li", {}, text)));
  }
}

// One choice of a set, each with what it means.
function offer(set, name, words) {
  if (set.childElementCount > 1) return;
  for (const [value, meaning] of Object.entries(words)) {
    set.append(make("label", {}, make("input", {type: "radio", name, value, required: true}),
      make("div", {}, value, make("span", {}, meaning))));
  }
}

function paintStart() {
  const {asking} = now;
  if (Boolean(asking) === $("start").hidden) {
    $("start").hidden = !asking;
    document.body.toggleAttribute("data-asking", Boolean(asking));
    if (asking) {
      $("kinds").hidden = !asking.kind;
      $("kinds").disabled = !asking.kind;
      for (const [name, value] of Object.entries(asking)) {
        for (const one of $("start").querySelectorAll(`[name=${name}]`)) one.checked = one.value === value;
      }
    }
  }
  if (asking) put($("start-level"), now.level_db === null ? "" : levelWords(now.level_db));
}

function unit() {
  return sheet?.unit ?? "mm";
}

function levelWords(db) {
  return now.muted ? "" : `The microphone gives ${db.toFixed(0)} dB (0 is its loudest).`;
}

function frame(message) {
  lastFrame = performance.now();
  document.body.dataset.frames = "yes";
  now = message.now;
  const {first, bytes} = message.spectrum;
  if (bytes) columns(first, Uint8Array.from(atob(bytes), (letter) => letter.charCodeAt(0)));
  for (const item of message.log) remember(item);
  paint();
}

// Columns that were missed are silence of the right length, so that time never shifts.
function columns(first, bytes) {
  const {hop_s, bands_hz} = track.hello;
  if (!track.spectrum || track.spectrum.count * bands > 40e6) {
    track.spectrum = new Spectrum({hop_s, start_s: first * hop_s, bands_hz});
    scope?.retheme();
  }
  const {spectrum} = track;
  const next = Math.round(spectrum.start_s / hop_s) + spectrum.count;
  if (first > next) spectrum.append(new Uint8Array((first - next) * bands));
  spectrum.append(bytes);
}

function keep(lane, item) {
  lane.push(item);
  if (lane.length > KEPT) lane.splice(0, lane.length - KEPT);
}

function remember(item) {
  if (beepsNow(item, now.t)) beep(() => say({mark: "beep"}));
  if (item.type === "event") heard(item);
  else if (item.type === "position") keep(track.position, item);
  else if (item.type === "flag") keep(track.flags, item);
  else if (item.type === "gap") keep(track.gaps, item);
  else if (item.type === "load") { track.load_unit = item.unit; keep(track.load, item); }
  else if (item.type === "mark" || item.type === "look") noted(item);
  else if (item.type === "verdict") expected(item);
}

function heard(event) {
  started = true;
  if (event.standing !== "confirmed") return;
  const before = track.heard.at(-1);
  if (before) before.to_s = Math.max(before.from_s, event.at_s);
  keep(track.heard, {state: event.state, from_s: event.at_s, to_s: event.at_s, probability: event.probability});
  if (event.state !== "entry" && event.state !== "air") return;
  const words = `${event.state === "entry" ? "contact begins" : "contact ends"}`;
  $("table").prepend(make("tr", {}, make("td", {}, clockText(event.at_s)), make("td", {}, words)));
  if ($("table").childElementCount > 50) $("table").lastElementChild.remove();
}

function noted(item) {
  if (item.text.startsWith("beep")) return;
  if (item.text.startsWith("cycle start")) started = true;
  keep(track.marks, {at_s: item.at_s, text: item.text});
  put($("said"), `Noted at ${clockText(item.at_s)}: ${item.text}`);
}

function expected(verdict) {
  const contact = sheet?.contacts.find((one) => one.id === verdict.contact);
  if (contact && !QUIET.includes(verdict.verdict)) doubts.push({...verdict, label: contact.label});
  const [from_s, to_s] = verdict.expected;
  if (!contact || from_s === null || to_s === null || track.expected.some((one) => one.id === contact.id)) return;
  const share = (to_s - from_s) / (contact.stop_s - contact.start_s);
  keep(track.expected, {
    id: contact.id, label: contact.label, from_s, to_s,
    full_s: from_s + share * (contact.full_s - contact.start_s),
    thin_s: to_s - share * (contact.stop_s - contact.thin_s),
    tooth_pass_hz: contact.tooth_pass_hz, flagged: verdict.verdict !== "as expected",
  });
}

function ear() {
  const silent = performance.now() - lastFrame > SILENT_MS;
  if (silent || !now.listening || now.muted) {
    const why = silent ? "no word from the computer that listens"
      : now.listening ? "the microphone gives nothing but zeros: is it muted?" : "the microphone gives no sound";
    return {on: false, word: "NOT LISTENING", more: now.ended || why};
  }
  if (now.asking) return {on: true, word: "LISTENING", more: "nothing is recorded until you say so below"};
  const more = now.trouble || (now.recording ? `recording: ${keeps}` : "not recording");
  return {on: true, word: "LISTENING", more: `${more} · ${clockText(now.t, 0)}`};
}

$("start").addEventListener("submit", (event) => {
  event.preventDefault();
  const chosen = new FormData(event.target);
  say({begin: chosen.get("kind") ?? "", keep: chosen.get("keep")});
});

function stateWord() {
  if (now.state === null || now.state === undefined) return "cannot tell yet";
  if (now.state === "entry") return "contact";
  if (now.state === "steady" && now.chatter) return "chatter";
  return STATE_WORDS[now.state];
}

function paintEar() {
  const {on, word, more} = ear();
  document.body.dataset.ear = on ? "on" : "off";
  put($("ear-word"), word);
  put($("ear-more"), more);
  return on;
}

function paint() {
  const on = paintEar();
  paintStart();
  const word = on ? stateWord() : "cannot tell";
  put($("state"), word);
  $("state").classList.toggle("long", word.length > 10);
  document.body.dataset.state = on ? now.state ?? "none" : "none";
  const cue = on && now.cue && now.t < now.cue.until_s ? now.cue : null;
  put($("cue"), (cue?.text ?? "").replace(/(\d) (?=s\b|mm\b|inch\b|%)/g, "$1\u00a0")); // a number and its unit stay together
  $("cue").classList.toggle("quiet", cue?.kind === "contact"); // the state says it in large letters
  paintNext(on);
  paintFlag(cue);
  paintHold();
}

function paintNext(on) {
  const next = now.ended ? null : now.next; // of a run that has ended nothing comes
  if (!next) {
    put($("next-what"), sheet ? "–" : "no job: only what is heard is told");
    put($("next-where"), "");
    return;
  }
  const [x, y, z] = next.place;
  const soon = on && !now.held && next.in_s >= 0.5 ? `, in about ${Math.round(next.in_s)} s` : "";
  put($("next-what"), `T${next.tool}, ${next.block}${z === null ? "" : `, Z ${lengthNumber(z, unit(), 2)} at touch`}${soon}`);
  const where = x === null || y === null ? next.way : `${next.way} at X ${lengthNumber(x, unit(), 1)} Y ${lengthNumber(y, unit(), 1)}`;
  put($("next-where"), (now.approach || where).replace(/\b([XYZ]) (?=-?\d)/g, "$1\u00a0")); // an axis and its number stay together
}

function paintFlag(cue) {
  const {flag} = now;
  put($("flag-text"), flag ? `${clockText(flag.at_s, 0)}  ${flag.text}` : "none");
  $("flag-text").classList.toggle("long", (flag?.text.length ?? 0) > 110);
  $("flag").toggleAttribute("data-raised", Boolean(flag));
  const fresh = flag && now.t - flag.at_s < 10;
  document.body.toggleAttribute("data-alert", Boolean(fresh || cue));
}

function paintHold() {
  const open = wanted ?? (now.held || !started);
  if ($("hold").hidden === open) {
    $("hold").hidden = !open;
    document.body.classList.toggle("unfolded", open);
    $("more").setAttribute("aria-expanded", String(open));
    put($("more"), open ? "Hide details" : "Show details");
  }
  if (!open) return;
  scope ??= new Scope($("scope"), track, {follow_s: SHOWN_S});
  const last = track.heard.at(-1);
  if (last) last.to_s = Math.max(last.to_s, now.t);
  scope.followTo(now.t);
  put($("spindle"), ear().on ? now.spindle || "By ear: no word yet, look." : "By ear: not listening, look.");
  put($("learnt"), learntText(now.learnt));
  paintDoubts();
  paintLine();
}

// How far the run has taught the ear what its own cut sounds like.
function learntText(part) {
  if (!part) return "The ear does not know this run\u2019s own cut yet: what it hears is told as from any machine.";
  return part < 1 ? "The ear begins to know this run\u2019s own air and cut." : "The ear knows this run\u2019s own air and cut.";
}

// What was heard otherwise than expected, but not surely enough for a flag.
function paintDoubts() {
  const flagged = new Set(track.flags.map((flag) => flag.contact));
  const words = doubts.filter((one) => !flagged.has(one.contact)).slice(-3).map(({label, verdict, early_by_mm}) =>
    `${label} ${verdict}${early_by_mm > 0 ? `, by ${lengthText(early_by_mm, unit(), 1)}` : ""}`);
  $("doubts").hidden = words.length === 0;
  put($("doubts"), `Likely, but not sure enough for a flag: ${words.join("; ")}. The run is heard again when it has ended.`);
}

function paintLine() {
  put($("program-head"), now.file ? `Program: now line ${now.line} in ${now.file}, which is not shown` : "Program");
  const line = now.line && !now.file ? $(`line-${now.line}`) : null;
  const marked = $("listing").querySelector("[aria-current]");
  if (now.file) marked?.removeAttribute("aria-current");
  if (!line || line === marked) return;
  marked?.removeAttribute("aria-current");
  line.setAttribute("aria-current", "true");
  $("listing").scrollTop = line.offsetTop - $("listing").clientHeight / 2;
}

function say(message) {
  if (socket?.readyState === WebSocket.OPEN) socket.send(JSON.stringify(message));
  else put($("said"), "Not noted: there is no connection.");
}

for (const button of document.querySelectorAll("[data-mark]")) {
  button.addEventListener("click", () => say({mark: button.dataset.mark}));
}
for (const form of document.querySelectorAll("[data-form]")) {
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const [[name, value]] = [...new FormData(form)];
    if (form.dataset.form === "look") say({look: value});
    else say({mark: form.dataset.form, [name]: Number(value) * (name === "z" ? mmPer(unit()) : 1)});
    form.reset();
  });
}
$("more").addEventListener("click", () => { wanted = $("hold").hidden; paintHold(); });

setInterval(() => { if (!paintEar() && document.body.dataset.state !== "none") paint(); }, 50);
connect();
document.documentElement.dataset.ready = "yes";
