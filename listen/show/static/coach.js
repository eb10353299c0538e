// The lessons: hear it, name it, press hold at the exit, follow the program, and the drill at the machine.

import {Desk, mixed} from "./coach_sound.js";
import {Staircase} from "./coach_staircase.js";
import {Spectrum, Track} from "./track.js";
import {Scope} from "./scope.js";
import {heldBytes, unpacked} from "./player.js";
import {STATE_WORDS, feedText, lengthText, make, mmPer} from "./words.js";
import {at, keepSession, showDays, startProgress} from "./coach_progress.js";
import {confusionTable, drawnWords, judgedPresses, placeOnLeg} from "./coach_figures.js";
import {roundWords, showTravel, startTravel} from "./coach_hold.js";
import {startNoise} from "./coach_noise.js";

const lessons = JSON.parse(document.getElementById("data").textContent);
const desk = new Desk();
const decoded = new Map();
const NAMES = {hear: "Hear it", name: "Name it", hold: "Press hold", follow: "Follow the program", machine: "Your hand, your machine"};
let lesson = "hear";
let scope = null;

function say(text) {
  at("said").textContent = text;
}

async function soundOf(name) {
  if (!decoded.has(name)) decoded.set(name, desk.decode(heldBytes(`sound-${name}`)));
  return decoded.get(name);
}

// Show a clip; its states only where they are no answer.
async function showClip(name, {states = true, from = 0, to = null, expected = [], marks = []} = {}) {
  const clip = lessons.clips[name];
  const columns = await unpacked(heldBytes(`spectrum-${name}`));
  const track = new Track({duration_s: clip.duration_s, spectrum: new Spectrum({hop_s: clip.hop_s, bands_hz: clip.bands_hz, columns}),
    heard: states ? lessons.states[name] : [], expected, marks});
  const lanes = ["ruler", ...(marks.length ? ["flags"] : []), ...(expected.length ? ["expected"] : []), "heard", "spectrum"];
  at("scope").hidden = false;
  at("scope").replaceChildren();
  scope = new Scope(at("scope"), track, {lanes, quiet: clip.quiet, loud: clip.loud});
  scope.setView(from, to ?? clip.duration_s);
  at("drawn").textContent = states ? drawnWords(lessons.states[name], from, to ?? clip.duration_s) : "";
  return scope;
}

function hideClip() {
  at("scope").hidden = true;
  at("scope").replaceChildren();
  at("drawn").textContent = "";
  scope = null;
}

function runPlayhead(each = () => {}) {
  const step = () => {
    const second = desk.secondAt(performance.now());
    if (second === null) return;
    if (scope) { scope.playhead = second; scope.drawPlayhead(); }
    each(second);
    requestAnimationFrame(step);
  };
  requestAnimationFrame(step);
}

async function playClip(name, from, to, {each, pace = 1} = {}) {
  const buffer = await soundOf(name);
  const ended = desk.play(buffer, from, to ?? buffer.duration, pace);
  setTimeout(() => runPlayhead(each), 60);
  return ended;
}

function keyed(text, key, action) {
  const button = make("button", {type: "button", "aria-keyshortcuts": key}, text, make("kbd", {}, key));
  button.addEventListener("click", action);
  button.dataset.key = key.toLowerCase();
  return button;
}

// Hear it
let heardOne = 0;

async function showOne(index) {
  heardOne = index;
  const one = lessons.hear[index];
  at("hear-title").textContent = one.title;
  at("hear-listen").textContent = one.listen_for;
  at("hear-why").textContent = one.why;
  at("hear-figures").textContent = one.figures;
  for (const button of at("hear-buttons").querySelectorAll("[data-example]")) button.setAttribute("aria-pressed", String(Number(button.dataset.example) === index));
  await showClip(one.clip, {from: one.from_s, to: one.to_s});
}

async function hearOne(index, pace = 1) {
  const one = lessons.hear[index];
  await showOne(index);
  say(`${one.title}${pace < 1 ? ", at a quarter of the speed" : ""}. ${one.listen_for}`);
  await playClip(one.clip, one.from_s, one.to_s, {pace});
}

// Name it
let stairs = new Staircase(lessons.name.rule);
let answers = [];
let question = null;

function askNext() {
  const machine = lessons.name.machines[Math.floor(Math.random() * lessons.name.machines.length)];
  const word = lessons.words[Math.floor(Math.random() * lessons.words.length)];
  question = {machine, word, played: false};
}

async function playQuestion() {
  if (stairs.isDone) return say("This test is done. Press N for a new one.");
  if (!question) askNext();
  hideClip();
  const buffer = await soundOf(question.machine.clip);
  const sound = mixed(desk.context, buffer, question.machine, question.machine.from_s[question.word], lessons.name.asked_s, stairs.level_db);
  question.played = true;
  at("name").dataset.word = question.word; // for a screen of tests; it is not shown
  say("What happens in the middle?");
  return desk.play(sound);
}

const TOLD = {
  air: "It was air: no buzz at any time.", entry: "It was an entry: hum first, then the buzz.",
  steady: "It was a steady cut: the buzz from beginning to end.", exit: "It was an exit: the buzz first, then only hum.",
};

function answer(word) {
  if (!question?.played) return say("Play a sound first.");
  const right = word === question.word;
  const heardAt = stairs.level_db;
  const from = question.machine.from_s[question.word];
  showClip(question.machine.clip, {from, to: from + lessons.name.asked_s}); // to see what was heard
  answers.push([question.word, word]);
  stairs.answered(right);
  const buzz = question.word === "air" ? "A buzz would have been" : "The buzz was";
  say(`${right ? "Right" : "Not so"}. ${TOLD[question.word]} ${buzz} ${Math.round(Math.abs(heardAt))} dB ${heardAt < 0 ? "under" : "over"} the air.`);
  question = null;
  showName();
  if (stairs.isDone) {
    keepSession({lesson: "name", threshold_db: stairs.threshold_db, answers});
    say(`Done. You name sounds ${stairs.threshold_db?.toFixed(1) ?? "–"} dB over the air rightly about 7 times in 10.`);
  }
  return undefined;
}

function showName() {
  at("name-state").textContent = `Answers ${stairs.nTrials}, turns ${stairs.reversals_db.length} of ${lessons.name.rule.n_reversals}; next sound ${stairs.level_db.toFixed(0)} dB over the air.`;
  const words = lessons.words.map((word) => STATE_WORDS[word]);
  at("name-heads").replaceChildren(make("tr", {}, make("td"), ...words.map((word) => make("th", {scope: "col"}, word))));
  at("name-rows").replaceChildren(...confusionTable(answers, lessons.words).map((row, i) =>
    make("tr", {}, make("th", {scope: "row"}, words[i]), ...row.map((n) => make("td", {}, String(n))))));
}

// Press hold
let presses = [];

async function startHold() {
  presses = [];
  hideClip();
  say("Press each time the tool leaves the metal.");
  at("hold").dataset.running = "yes";
  await playClip(lessons.hold.clip, 0, null);
  if (!at("hold").dataset.running) return;
  finishHold();
}

function pressHold(event) {
  const second = desk.secondAt(event.timeStamp);
  if (second !== null && at("hold").dataset.running) presses.push(second);
}

// For a finger or a mouse: the touch counts, not the letting go; a key that presses it comes as a click without one.
function holdButton() {
  const button = make("button", {type: "button", id: "hold-press", "aria-keyshortcuts": "H"}, "It leaves the metal", make("kbd", {}, "H"));
  button.addEventListener("pointerdown", pressHold);
  button.addEventListener("click", (event) => { if (event.detail === 0) pressHold(event); });
  return button;
}

function finishHold() {
  delete at("hold").dataset.running;
  const judged = judgedPresses(lessons.hold.exits_s, presses, lessons.hold);
  keepSession({lesson: "hold", reactions_s: judged.reactions_s, missed: judged.missed, false: judged.false});
  showHold(judged);
  showClip(lessons.hold.clip, {marks: presses.map((at_s) => ({at_s, text: "pressed"}))});
}

function showHold(judged) {
  at("hold-state").textContent = roundWords(judged, lessons.hold);
  at("hold").dataset.reactions = JSON.stringify(judged.reactions_s);
  at("hold-delay").textContent = `The browser states ${(1000 * desk.delay_s).toFixed(0)} ms of delay for its sound and it is taken off. Radio headphones add more that nobody tells: use a cable.`;
  showTravel(lessons.hold, lessons.unit, judged);
  say(`${at("hold-state").textContent} ${at("hold-means").textContent}`);
}

// Follow the program
let followed = 0;
let [played, told] = [false, false]; // of this program: its sound was begun, its answer was given

async function showFollow(index) {
  followed = index;
  [played, told] = [false, false];
  const one = lessons.follow[index];
  at("follow-lines").replaceChildren(...one.lines.map((line) =>
    make("li", {}, line.text, make("span", {}, line.contact ? `contact ${line.contact}` : ""))));
  hideClip();
  say(`Program ${index + 1} of ${lessons.follow.length}. Space plays it.`);
}

const playFollow = () => { played = true; return playClip(lessons.follow[followed].clip, 0, null, {each: (second) => {
  lessons.follow[followed].lines.forEach((line, i) => {
    const item = at("follow-lines").children[i];
    if (line.from_s <= second && second < line.to_s) item.setAttribute("aria-current", "step");
    else item.removeAttribute("aria-current");
  });
}}); };

async function answerFollow(number) {
  const one = lessons.follow[followed];
  const right = number === one.wrong;
  if (!played) return say("Play the sound first.");
  if (told) return say(`Told already: contact ${one.wrong} ${one.words}. Next program goes on.`);
  told = true;
  desk.stop();
  keepSession({lesson: "follow", program: followed, right});
  const expected = one.lines.filter((line) => line.contact).map((line) => ({id: line.contact, label: String(line.contact), from_s: line.from_s,
    full_s: line.from_s + line.ramp_s, thin_s: line.to_s - line.ramp_s, to_s: line.to_s, tooth_pass_hz: 0, flagged: line.contact === one.wrong}));
  await showClip(one.clip, {expected});
  return say(`${right ? "Right" : "Not so"}: contact ${one.wrong} ${one.words}. At the machine: ${one.then}`);
}

// Your hand, your machine
let fromTurn = 1;

function showMachine() {
  at("machine-cautions").replaceChildren(...lessons.machine.cautions.map((text) => make("li", {}, text)));
  const has = Boolean(lessons.machine.points);
  at("machine-form").hidden = !has;
  at("machine-how").textContent = has
    ? "The machine runs the small program in the air. Press its own feed hold at each turn, wait for standstill, read X and Y, type them here, then cycle start."
    : "Ask the instructor to make these lessons with a program for your machine; then the form to type the axes is here.";
}

function tellTravel(event) {
  event.preventDefault();
  const {unit} = lessons;
  const place = ["machine-x", "machine-y"].map((name) => at(name).valueAsNumber * mmPer(unit));
  const found = placeOnLeg(lessons.machine, place, fromTurn);
  if (!found) return say("This place lies on no leg after a turn: pressed before the first turn, misread, or another work offset.");
  fromTurn = found.turn + 1;
  const words = `Turn ${found.turn}: ${lengthText(found.travel_mm, unit, 2)} past it at ${feedText(lessons.machine.feed, unit)}, ${found.seconds.toFixed(2)} s from turn to standstill.`;
  at("machine-list").append(make("li", {}, words));
  keepSession({lesson: "machine", travel_mm: found.travel_mm, feed: lessons.machine.feed});
  at("machine-form").reset();
  at("machine-x").focus();
  return say(words);
}

// All lessons
const ENTERS = {hear: () => hearSilently(0), name: () => { hideClip(); showName(); say("Space plays a sound."); },
  hold: () => { hideClip(); say("Start plays the sound; press at each exit."); }, follow: () => showFollow(0), machine: () => { hideClip(); showMachine(); say("Read the cautions with your instructor."); }};

async function hearSilently(index) {
  say("Space plays the example, S plays it slowly, N goes on; the number keys choose one.");
  await showOne(index);
}

function enter(name) {
  desk.stop();
  delete at("hold").dataset.running;
  lesson = name;
  for (const other of Object.keys(NAMES)) at(other).hidden = other !== name;
  for (const button of at("lessons").children) button.setAttribute("aria-pressed", String(button.dataset.lesson === name));
  at(`${name}-head`).focus();
  return ENTERS[name]();
}

function buildButtons() {
  at("lessons").append(...Object.entries(NAMES).map(([name, text], i) => {
    const button = keyed(text, `Alt+${i + 1}`, () => enter(name));
    button.dataset.lesson = name;
    return button;
  }));
  at("hear-buttons").append(keyed("Play", "Space", () => hearOne(heardOne)), keyed("Play slowly", "S", () => hearOne(heardOne, 0.25)),
    keyed("Next", "N", () => hearOne((heardOne + 1) % lessons.hear.length)));
  at("hear-buttons").append(...lessons.hear.map((one, i) => {
    const button = i < 9 ? keyed(one.title, String(i + 1), () => hearOne(i)) : make("button", {type: "button"}, one.title);
    if (i >= 9) button.addEventListener("click", () => hearOne(i));
    button.dataset.example = String(i);
    return button;
  }));
  at("name-buttons").append(keyed("Play", "Space", playQuestion), ...lessons.words.map((word, i) => keyed(STATE_WORDS[word], String(i + 1), () => answer(word))),
    keyed("New test", "N", () => { stairs = new Staircase(lessons.name.rule); answers = []; question = null; showName(); say("A new test. Space plays a sound."); }));
  at("hold-buttons").append(keyed("Start", "Space", startHold), holdButton());
  at("follow-buttons").append(keyed("Play", "Space", playFollow), ...[1, 2, 3, 4, 5].map((n) => keyed(`Contact ${n}`, String(n), () => answerFollow(n))),
    keyed("Next program", "N", () => showFollow((followed + 1) % lessons.follow.length)));
  at("machine-form").addEventListener("submit", tellTravel);
}

function pressed(event) {
  if (event.altKey && event.key >= "1" && event.key <= "5") { event.preventDefault(); enter(Object.keys(NAMES)[Number(event.key) - 1]); return; }
  if (event.repeat || event.ctrlKey || event.metaKey || event.altKey || event.target.matches("input, textarea")) return;
  if (lesson === "hold" && event.key.toLowerCase() === "h") {
    pressHold(event);
    return;
  }
  const key = event.key === " " ? "space" : event.key.toLowerCase();
  if (key === "space" && event.target.matches("button, summary")) return; // it presses itself
  const button = [...at(lesson).querySelectorAll("button[data-key]")].find((one) => one.dataset.key === key);
  if (button) { event.preventDefault(); button.click(); }
}

function startLessons() {
  at("which").textContent = lessons.made;
  buildButtons();
  at("sources").append(...lessons.sources.map((text) => make("li", {}, text)));
  startProgress(say, lessons.unit);
  startTravel(lessons.hold, lessons.unit);
  startNoise(lessons.noise);
  showDays();
  document.addEventListener("keydown", pressed);
  enter("hear").then(() => { document.documentElement.dataset.ready = "yes"; });
}

startLessons();
