// Colours, hatchings and small searches that drawings share.

// Colours of a theme, read from custom properties of the page.
export function readTheme(element) {
  const style = getComputedStyle(element);
  const colour = (name) => style.getPropertyValue(name).trim();
  const theme = {};
  for (const name of ["paper", "ink", "soft", "line", "expect", "hear", "flag", "wash"]) theme[name] = colour(`--${name}`);
  theme.ramp = [0, 1, 2, 3].map((i) => colour(`--sound-${i}`));
  theme.font = style.fontFamily || "sans-serif";
  return theme;
}

function rgb(hex) {
  return [1, 3, 5].map((i) => Number.parseInt(hex.slice(i, i + 2), 16));
}

// 256 colours from quiet to loud, for bytes in steps of `step_db` from `floor_db`.
export function soundColours(ramp, quiet, loud) {
  const stops = ramp.map(rgb);
  const words = new Uint32Array(256);
  for (let i = 0; i < 256; i += 1) {
    const place = Math.max(0, Math.min(1, (i - quiet) / Math.max(1, loud - quiet))) * (stops.length - 1);
    const low = Math.min(stops.length - 2, Math.floor(place));
    const mix = stops[low].map((value, k) => Math.round(value + (place - low) * (stops[low + 1][k] - value)));
    words[i] = 0xff000000 | (mix[2] << 16) | (mix[1] << 8) | mix[0];
  }
  return words;
}

export function hatch(colour, paper, direction, ratio) {
  const size = 8;
  const tile = document.createElement("canvas");
  tile.width = tile.height = size * ratio;
  const pen = tile.getContext("2d");
  pen.scale(ratio, ratio);
  pen.fillStyle = paper;
  pen.fillRect(0, 0, size, size);
  pen.strokeStyle = colour;
  pen.lineWidth = 1.6;
  pen.beginPath();
  for (const shift of [-size, 0, size]) {
    if (direction === "up") { pen.moveTo(shift, size); pen.lineTo(shift + size, 0); }
    else { pen.moveTo(shift, 0); pen.lineTo(shift + size, size); }
  }
  pen.stroke();
  const pattern = pen.createPattern(tile, "repeat");
  pattern.setTransform(new DOMMatrix().scale(1 / ratio));
  return pattern;
}

// The highest value of a lane, kept until the lane grows.
const highestKept = new WeakMap();

export function highest(lane, value, least) {
  const kept = highestKept.get(lane) ?? {count: 0, most: least};
  for (; kept.count < lane.length; kept.count += 1) kept.most = Math.max(kept.most, value(lane[kept.count]));
  highestKept.set(lane, kept);
  return kept.most;
}

// Index of the first item after a second.
export function firstAfter(lane, second, key = "at_s") {
  let low = 0;
  let high = lane.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (lane[middle][key] <= second) low = middle + 1;
    else high = middle;
  }
  return low;
}

// Add a closed outline to a path.
export function polygon(path, points) {
  points.forEach(([x, y], i) => (i ? path.lineTo(x, y) : path.moveTo(x, y)));
  path.closePath();
}

export function paint(pen, path, fill, colour, width) {
  if (fill) { pen.fillStyle = fill; pen.fill(path); }
  pen.strokeStyle = colour;
  pen.lineWidth = width;
  pen.stroke(path);
}

export function shape(pen, points, fill, colour) {
  const path = new Path2D();
  polygon(path, points);
  paint(pen, path, fill, colour, 1);
}

// A line through the items of a lane; with `end`, one of steps that lasts until there.
export function curve(pen, lane, {first, last}, x, y, end = null) {
  pen.lineWidth = 1.5;
  pen.beginPath();
  pen.moveTo(x(lane[first]), y(lane[first]));
  for (let i = first + 1; i < last; i += 1) {
    if (end !== null) pen.lineTo(x(lane[i]), y(lane[i - 1]));
    pen.lineTo(x(lane[i]), y(lane[i]));
  }
  if (end !== null && last === lane.length) pen.lineTo(end, y(lane[last - 1]));
  pen.stroke();
}

// Many items a pixel: from the lowest to the highest of each column of pixels, as plain rectangles.
export function denseCurve(pen, lane, {first, last}, x, y) {
  let column = Math.floor(x(lane[first]));
  let before = y(lane[first]);
  let [low, high] = [before, before];
  for (let i = first + 1; i < last; i += 1) {
    const place = Math.floor(x(lane[i]));
    const here = y(lane[i]);
    if (place > column) {
      pen.fillRect(column, low - 0.75, place - column, high - low + 1.5);
      [column, low, high] = [place, before, before];
    }
    low = Math.min(low, here);
    high = Math.max(high, here);
    before = here;
  }
  pen.fillRect(column, low - 0.75, 1, high - low + 1.5);
}
