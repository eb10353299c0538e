// Figures of the lessons; rules as in listen/coach, and a test holds both together.

import {STATE_WORDS} from "./words.js";

// Percentile with straight lines between values, NaN without any.
export function percentile(values, percent) {
  if (!values.length) return Number.NaN;
  const sorted = values.toSorted((a, b) => a - b);
  const place = ((sorted.length - 1) * percent) / 100;
  const low = Math.floor(place);
  return sorted[low] + (place - low) * ((sorted[low + 1] ?? sorted[low]) - sorted[low]);
}

// The first press from `soonest_s` to `latest_s` after an exit, before the next one, counts; all others are false.
export function judgedPresses(exits_s, presses_s, {soonest_s, latest_s}) {
  const reactions_s = [];
  exits_s.forEach((exit, i) => {
    const until = Math.min(exit + latest_s, exits_s[i + 1] ?? Infinity);
    const fitting = presses_s.filter((press) => exit + soonest_s <= press && press < until);
    if (fitting.length) reactions_s.push(Math.min(...fitting) - exit);
  });
  return {reactions_s, missed: exits_s.length - reactions_s.length, false: presses_s.length - reactions_s.length};
}

// What a drawing shows, in words: also for those who do not see it.
export function drawnWords(states, from, to) {
  const seen = states.filter((one) => one.from_s < to && one.to_s > from);
  const within = (word, begin, end) => `${word} ${Math.max(from, begin).toFixed(2)} to ${Math.min(to, end).toFixed(2)} s`;
  if (seen.length <= 7) return `Drawn: ${seen.map((one) => within(STATE_WORDS[one.state], one.from_s, one.to_s)).join(", ")}.`;
  const entries = seen.filter((one) => one.state === "entry");
  const ends = entries.map((entry) => seen.find((one) => one.state === "air" && one.from_s >= entry.to_s)?.from_s ?? to);
  return `Drawn: heard in contact ${entries.map((entry, i) => within("from", entry.from_s, ends[i])).join(", ")}.`;
}

export function confusionTable(answers, words) {
  return words.map((was) => words.map((said) => answers.filter(([a, b]) => a === was && b === said).length));
}

// Where a read place lies on the legs of the drill, from a turn on; null where on none.
export function placeOnLeg({points, feed, off_line_mm}, place, fromTurn) {
  for (let turn = fromTurn; turn < points.length - 1; turn += 1) {
    const [begin, end] = [points[turn], points[turn + 1]];
    const way = [end[0] - begin[0], end[1] - begin[1]];
    const length = Math.hypot(...way);
    const along = ((place[0] - begin[0]) * way[0] + (place[1] - begin[1]) * way[1]) / length;
    const beside = Math.hypot(place[0] - begin[0] - (along * way[0]) / length, place[1] - begin[1] - (along * way[1]) / length);
    if (beside <= off_line_mm && along >= 0 && along <= length) return {turn, travel_mm: along, seconds: along / (feed / 60)};
  }
  return null;
}

// Way from the press to standstill [mm], with limited jerk and acceleration; as listen/expect/stopping.py.
export function afterPressMm(feed, {after_press_s, acceleration_m_per_s2, jerk_m_per_s3}) {
  const speed = feed / 60;
  const [limit, jerk] = [acceleration_m_per_s2 * 1000, jerk_m_per_s3 * 1000];
  const stops = Math.sqrt(speed * jerk) <= limit ? speed * Math.sqrt(speed / jerk) : 0.5 * speed * (speed / limit + limit / jerk);
  return speed * after_press_s + stops;
}

// Way from the sound at the tool to standstill [mm].
export function travelMm(feed, reaction_s, machine) {
  return (feed / 60) * (machine.sound_path_s + reaction_s) + afterPressMm(feed, machine);
}

// Hours a day that a rule allows at a level, and the percent of a day that a stay uses up.
export const allowedHours = (rule, level_db) => rule.hours / 2 ** ((level_db - rule.level_db) / rule.exchange_db);
export const dosePercent = (rule, level_db, hours) => (100 * hours) / allowedHours(rule, level_db);
