// Two runs compared: what changed, worst first, with the sound of both to play.

import {counted, make} from "./words.js";
import {Player, heldBytes} from "./player.js";
import {fillTable, stretchText} from "./tables.js";

const told = JSON.parse(document.getElementById("data").textContent);
const at = (id) => document.getElementById(id);
const LETTERS = ["first", "second"];
const players = told.cuts.map((cuts) => new Player(cuts.length ? cuts.at(-1).to_s : 0));

// Both cuts are brought to one level, so that the louder does not seem the better.
function playCut(which, contact) {
  const [mine, other] = [which, 1 - which].map((side) => told.cuts[side].find((cut) => cut.id === contact));
  if (!mine) return;
  players[1 - which].pause();
  const matched = other ? Math.min(0, other.level_db - mine.level_db) : 0;
  players[which].setVolume(10 ** (matched / 20));
  players[which].play(mine.from_s, mine.to_s);
  at("said").textContent = `Playing the ${LETTERS[which]} run, ${told.names[which]}${matched ? `, turned down by ${(-matched).toFixed(1)} dB to match` : ""}.`;
}

function playButtons(contact, label) {
  const cell = make("td", {class: "twins"});
  for (const which of [0, 1]) {
    const there = told.cuts[which].some((cut) => cut.id === contact);
    const button = make("button", {type: "button", disabled: !there, onclick: () => playCut(which, contact)}, LETTERS[which]);
    button.setAttribute("aria-label", `Play ${label}, ${LETTERS[which]} run`);
    cell.append(button);
  }
  return cell;
}

function changeRow(change) {
  return make("tr", {}, make("th", {scope: "row"}, change.label), playButtons(change.contact, change.label), make("td", {}, change.what),
    make("td", {class: "words"}, change.text), make("td", {}, `${change.strength} the usual spread`));
}

function pairRow(pair) {
  return make("tr", {}, make("th", {scope: "row"}, pair.label), playButtons(pair.id, pair.label),
    make("td", {class: "figure"}, stretchText(pair.a)), make("td", {class: "figure"}, stretchText(pair.b)));
}

function startComparison() {
  const count = told.changes.length;
  at("which").textContent = `${told.program}: ${told.names[0]} against ${told.names[1]}`;
  at("sentence").textContent = count ? `${counted(told.n_pairs, "contact")} compared, ${counted(count, "change")} beyond the usual spread`
    : `${counted(told.n_pairs, "contact")} compared, nothing changed beyond the usual spread`;
  at("yardstick").textContent = told.n_good >= 2 ? `The spread is that of ${told.n_good} earlier good runs.`
    : "Without two earlier good runs the spread is a general one; mark good runs as reference to have it measured.";
  at("name-a").textContent = told.names[0];
  at("name-b").textContent = told.names[1];
  fillTable(at("change-rows"), told.changes, changeRow);
  fillTable(at("pair-rows"), told.pairs, pairRow);
  if (!count) at("change-rows").append(make("tr", {}, make("td", {colSpan: 5}, "Nothing. That is no permission: look at the part.")));
  ["sound-a", "sound-b"].forEach((id, which) => players[which].give(heldBytes(id), "audio/ogg"));
  globalThis.listenPlayers = players; // for tests, and for whoever wants to look
  document.documentElement.dataset.ready = "yes";
}

startComparison();
