// What presses on hold mean: reaction, spread, and millimetres at the learner's feed and machine.

import {percentile, travelMm} from "./coach_figures.js";
import {at, heldSessions} from "./coach_progress.js";
import {feedNumber, feedText, lengthNumber, lengthText, make, mmPer} from "./words.js";

const milli = (seconds) => (1000 * seconds).toFixed(0);

// Median of the last round and slow presses of all rounds [s]; NaN without any.
function reactionsOf(judged) {
  const all = heldSessions("hold").flatMap((one) => one.reactions_s);
  return {median_s: percentile(judged?.reactions_s ?? all, 50), slow_s: percentile(all, 95), n: all.length};
}

// The words of one round; also for a reader of the screen.
export function roundWords(judged, hold) {
  const {median_s, slow_s} = reactionsOf(judged);
  const spread_s = percentile(judged.reactions_s, 75) - percentile(judged.reactions_s, 25);
  const words = judged.reactions_s.length
    ? `Median ${milli(median_s)} ms, middle half within ${milli(spread_s)} ms, 95 of 100 within ${milli(slow_s)} ms. ` : "No press counted. ";
  return `${words}Missed ${judged.missed} of ${hold.exits_s.length}, false presses ${judged.false} (before ${1000 * hold.soonest_s} ms or after ${hold.latest_s} s).`;
}

// What it means at one's own feed.
function meaning(feed, hold, unit, {median_s, slow_s, n}) {
  if (!(feed > 0)) return "";
  const way = (reaction_s) => lengthText(travelMm(feed, reaction_s, hold), unit, 1);
  const [at_feed, tables] = [`At ${feedText(feed, unit)}`, way(hold.expected_s)];
  if (!n) return `${at_feed} the hold tables reckon with ${tables} from the sound to standstill.`;
  const yours = `${at_feed} your axis goes ${way(median_s)} from the sound to standstill, ${way(slow_s)} when you are slow.`;
  return slow_s > hold.expected_s
    ? `${yours} You are slower than the hold tables' ${hold.expected_s} s: put reaction_s = ${slow_s.toFixed(2)} under [operator] in the job, and they reckon with ${way(slow_s)} instead of ${tables}.`
    : `${yours} The hold tables reckon with ${tables} and stay so: faster never shortens them, a surprise at the machine is slower than a lesson.`;
}

export function showTravel(hold, unit, judged = null) {
  const told = reactionsOf(judged);
  at("hold-means").textContent = meaning(at("hold-feed").valueAsNumber * mmPer(unit), hold, unit, told);
  const reckon_s = Math.max(hold.expected_s, told.slow_s || 0);
  const way = (feed, reaction_s) => (Number.isFinite(reaction_s) ? lengthNumber(travelMm(feed, reaction_s, hold), unit, 1) : "–");
  at("hold-rows").replaceChildren(...hold.feeds.map((feed) => make("tr", {}, make("th", {scope: "row"}, String(feedNumber(feed, unit))),
    ...[told.median_s, told.slow_s, reckon_s].map((one) => make("td", {class: "figure"}, way(feed, one))))));
}

export function startTravel(hold, unit) {
  for (const place of document.querySelectorAll("main .unit")) place.textContent = unit;
  at("hold-feed").value = feedNumber(hold.feed, unit);
  at("hold-feed").addEventListener("input", () => showTravel(hold, unit));
  showTravel(hold, unit);
}
