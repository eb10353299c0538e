// Figures of the lessons; rules as in listen/coach, and a test holds both together.

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
