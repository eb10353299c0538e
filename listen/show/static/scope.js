// One drawing of a run along time, for live, replay and coach pages.
//
// Expected contacts stand on a shared seam, heard ones hang below it: what overhangs is early or late.
// States differ by word, by height and by hatching; colour only repeats it.

import {STATE_WORDS, clockText, rulerStep, stepDigits} from "./words.js";
import {curve, denseCurve, firstAfter, hatch, highest, paint, polygon, readTheme, shape, soundColours} from "./ink.js";

export const LANES = ["ruler", "flags", "expected", "heard", "spectrum", "load", "rate"];
const LANE_HEIGHTS = {ruler: 22, flags: 40, expected: 46, heard: 46, spectrum: 150, load: 52, rate: 44};
const LANE_NAMES = {
  ruler: "", flags: "flags", expected: "expected", heard: "heard", spectrum: "sound", load: "load", rate: "rate followed",
};
export const SHORTEST_VIEW_S = 0.05;

export class Scope extends EventTarget {
  // `holder` is an empty element; `lanes` names what is drawn, top to bottom.
  constructor(holder, track, {lanes = LANES, follow_s = null, quiet = 60, loud = 200, names = {}} = {}) {
    super();
    this.holder = holder;
    this.track = track;
    this.lanes = lanes;
    this.levels = {quiet, loud};
    this.laneNames = {...LANE_NAMES, ...names};
    this.comb = false;
    this.picked = null; // id of the contact that is marked
    this.playhead = null;
    this.follow_s = follow_s;
    this.view = {from: 0, to: Math.max(SHORTEST_VIEW_S, track.duration_s || follow_s || 1)};
    this.canvas = document.createElement("canvas");
    this.overlay = document.createElement("canvas");
    this.canvas.className = "scope-base";
    this.overlay.className = "scope-overlay";
    for (const canvas of [this.canvas, this.overlay]) canvas.setAttribute("aria-hidden", "true");
    holder.classList.add("scope");
    holder.append(this.canvas, this.overlay);
    this.waiting = false;
    this.retheme();
    new ResizeObserver(() => { if (this.#measure()) this.draw(); }).observe(holder);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.retheme());
  }

  retheme() {
    this.theme = readTheme(this.holder);
    this.track.spectrum?.setColours(soundColours(this.theme.ramp, this.levels.quiet, this.levels.loud));
    this.patterns = null;
    this.#measure();
    this.redraw();
  }

  // Height that the lanes need [CSS pixels]; the spectrum takes what is left over.
  get leastHeight() {
    return this.lanes.reduce((sum, lane) => sum + LANE_HEIGHTS[lane], 0);
  }

  // Take the size of the holder, and say whether it is another than before.
  #measure() {
    const ratio = window.devicePixelRatio || 1;
    const width = Math.max(50, this.holder.clientWidth);
    const height = Math.max(this.lanes.includes("spectrum") ? this.leastHeight - 60 : this.leastHeight, this.holder.clientHeight);
    const before = this.size;
    this.size = {width, height, ratio};
    this.gutter = width < 560 ? 0 : 92;
    this.#layOut();
    if (before && before.width === width && before.height === height && before.ratio === ratio) return false;
    for (const canvas of [this.canvas, this.overlay]) {
      canvas.width = Math.round(width * ratio);
      canvas.height = Math.round(height * ratio);
      canvas.style.width = `${width}px`;
      canvas.style.height = `${height}px`;
    }
    this.patterns = null;
    return true;
  }

  #layOut() {
    const fixed = this.lanes.filter((lane) => lane !== "spectrum").reduce((sum, lane) => sum + LANE_HEIGHTS[lane], 0);
    this.rows = {};
    let top = 0;
    for (const lane of this.lanes) {
      const height = lane === "spectrum" ? Math.max(60, this.size.height - fixed) : LANE_HEIGHTS[lane];
      this.rows[lane] = {top, height};
      top += height;
    }
  }

  x(second) {
    const {from, to} = this.view;
    return this.gutter + ((second - from) / (to - from)) * (this.size.width - this.gutter);
  }

  second(x) {
    const {from, to} = this.view;
    return from + ((x - this.gutter) / (this.size.width - this.gutter)) * (to - from);
  }

  setView(from, to) {
    const total = Math.max(SHORTEST_VIEW_S, this.track.duration_s);
    const length = Math.min(Math.max(SHORTEST_VIEW_S, to - from), this.follow_s ? to - from : total);
    const begin = this.follow_s ? from : Math.min(Math.max(0, from), total - length);
    this.view = {from: begin, to: begin + length};
    this.redraw();
    this.dispatchEvent(new CustomEvent("view", {detail: this.view}));
  }

  showAll() {
    this.setView(0, this.track.duration_s);
  }

  // Zoom by a factor (below 1 is closer) about a second.
  zoom(factor, about = (this.view.from + this.view.to) / 2) {
    const {from, to} = this.view;
    const length = Math.max(SHORTEST_VIEW_S, (to - from) * factor);
    const share = (about - from) / (to - from);
    this.setView(about - share * length, about + (1 - share) * length);
  }

  // While listening: keep the newest second at the right edge.
  followTo(second) {
    this.track.duration_s = Math.max(this.track.duration_s, second);
    this.setView(second - this.follow_s, second);
  }

  // Draw with the next frame of the screen; many calls make one drawing.
  redraw() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => this.waiting && this.draw());
  }

  draw() {
    this.waiting = false;
    this.#base();
    this.drawPlayhead();
  }

  #base() {
    const pen = this.canvas.getContext("2d", {alpha: false});
    if (!pen) return; // no drawing here: the tables say it all
    const {width, height, ratio} = this.size;
    this.patterns ??= {
      expectUp: hatch(this.theme.expect, this.theme.paper, "up", ratio),
      expectDown: hatch(this.theme.expect, this.theme.paper, "down", ratio),
      hearUp: hatch(this.theme.hear, this.theme.paper, "up", ratio),
      hearDown: hatch(this.theme.hear, this.theme.paper, "down", ratio),
      gap: hatch(this.theme.soft, this.theme.wash, "up", ratio),
    };
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.fillStyle = this.theme.paper;
    pen.fillRect(0, 0, width, height);
    pen.save();
    pen.beginPath();
    pen.rect(this.gutter, 0, width - this.gutter, height);
    pen.clip();
    const rows = this.rows;
    if (rows.spectrum) this.#spectrum(pen, rows.spectrum);
    if (rows.ruler) this.#ruler(pen, rows.ruler);
    if (rows.load) this.#curve(pen, rows.load, this.track.load, (item) => item.value, this.theme.hear, this.track.load_unit);
    if (rows.rate) this.#curve(pen, rows.rate, this.track.position, (item) => 100 * item.rate, this.theme.expect, "%", true);
    if (rows.expected) this.#expected(pen, rows.expected);
    if (rows.heard) this.#heard(pen, rows.heard);
    this.#gaps(pen);
    if (rows.flags) this.#flags(pen, rows.flags);
    pen.restore();
    this.#names(pen);
  }

  drawPlayhead() {
    const pen = this.overlay.getContext("2d");
    if (!pen) return;
    const {width, height, ratio} = this.size;
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height);
    if (this.playhead === null) return;
    const x = this.x(this.playhead);
    if (x < this.gutter - 1 || x > width + 1) return;
    pen.fillStyle = this.theme.ink;
    pen.fillRect(x - 1, 0, 2, height);
    pen.beginPath();
    pen.moveTo(x - 6, 0);
    pen.lineTo(x + 6, 0);
    pen.lineTo(x, 9);
    pen.fill();
  }

  #visible(from, to) {
    return to >= this.view.from && from <= this.view.to;
  }

  #text(pen, text, x, y, colour, size = 12, weight = "") {
    pen.font = `${weight} ${size}px ${this.theme.font}`;
    pen.fillStyle = colour;
    pen.fillText(text, x, y);
  }

  #names(pen) {
    const {theme} = this;
    pen.textBaseline = "alphabetic";
    for (const lane of this.lanes) {
      const {top, height} = this.rows[lane];
      pen.fillStyle = theme.line;
      if (lane !== "heard" && lane !== "ruler") pen.fillRect(0, top, this.size.width, 1);
      if (lane === "heard") { pen.fillStyle = theme.ink; pen.fillRect(this.gutter, top - 1, this.size.width, 2); }
      if (this.gutter) this.#text(pen, this.laneNames[lane], 8, top + Math.min(height / 2 + 4, 26), theme.soft);
      else if (lane !== "flags") this.#plate(pen, this.laneNames[lane], 4, lane === "heard" ? top + height - 4 : top + 13);
    }
  }

  #plate(pen, text, x, y) {
    if (!text) return;
    pen.font = `11px ${this.theme.font}`;
    pen.fillStyle = this.theme.paper;
    pen.globalAlpha = 0.8;
    pen.fillRect(x - 2, y - 11, pen.measureText(text).width + 4, 14);
    pen.globalAlpha = 1;
    this.#text(pen, text, x, y, this.theme.soft, 11);
  }

  #ruler(pen, {top, height}) {
    const {from, to} = this.view;
    const step = rulerStep((to - from) / (this.size.width - this.gutter), 76);
    const digits = stepDigits(step);
    for (let i = Math.ceil(from / step); i * step <= to; i += 1) {
      const x = this.x(i * step);
      if (i * step < 0) continue;
      pen.fillStyle = this.theme.line;
      pen.fillRect(x, top + height - 6, 1, 6);
      if (x + 34 > this.size.width) continue; // its words would be cut off
      this.#text(pen, clockText(i * step, digits), x + 3, top + 14, this.theme.soft, 11);
    }
  }

  #spectrum(pen, {top, height}) {
    const {spectrum} = this.track;
    pen.fillStyle = this.theme.ramp[0];
    pen.fillRect(this.gutter, top, this.size.width, height);
    if (!spectrum) return;
    spectrum.draw(pen, this.view.from, this.view.to, this.gutter, top, this.size.width - this.gutter, height);
    if (this.comb) this.#combLines(pen, top, height);
    for (const hz of [200, 1000, 5000]) {
      const y = this.#bandY(hz, top, height);
      if (y > top + 10 && y < top + height) this.#plate(pen, hz >= 1000 ? `${hz / 1000} kHz` : `${hz} Hz`, this.gutter + 4, y + 4);
    }
  }

  #bandY(hz, top, height) {
    const bands = this.track.spectrum.bands_hz;
    const first = Math.log(bands[0]);
    const last = Math.log(bands[bands.length - 1]);
    return top + height - ((Math.log(hz) - first) / (last - first)) * (height - height / bands.length) - height / bands.length / 2;
  }

  #combLines(pen, top, height) {
    const highest = this.track.spectrum.bands_hz.at(-1);
    pen.setLineDash([5, 4]);
    pen.lineWidth = 1.2;
    for (const contact of this.track.expected) {
      if (!(contact.tooth_pass_hz > 0) || !this.#visible(contact.from_s, contact.to_s)) continue;
      const left = this.x(contact.from_s);
      const right = this.x(contact.to_s);
      let before = Infinity;
      for (let k = 1; k * contact.tooth_pass_hz < highest; k += 1) {
        const y = this.#bandY(k * contact.tooth_pass_hz, top, height);
        if (before - y < 5) continue;
        before = y;
        for (const [colour, shift] of [[this.theme.paper, 1], [this.theme.ink, 0]]) {
          pen.strokeStyle = colour;
          pen.beginPath();
          pen.moveTo(left, y + shift);
          pen.lineTo(right, y + shift);
          pen.stroke();
        }
      }
    }
    pen.setLineDash([]);
  }

  #curve(pen, {top, height}, lane, value, colour, unit, stepped = false) {
    if (!lane.length) return;
    const most = highest(lane, value, stepped ? 100 : 1e-6) * 1.1;
    const y = (item) => top + height - 4 - (value(item) / most) * (height - 12);
    const first = Math.max(0, firstAfter(lane, this.view.from) - 1);
    const last = Math.min(lane.length, firstAfter(lane, this.view.to) + 1);
    pen.strokeStyle = pen.fillStyle = colour;
    const x = (item) => this.x(item.at_s);
    if (last - first > (this.size.width - this.gutter) / 2) denseCurve(pen, lane, {first, last}, x, y);
    else curve(pen, lane, {first, last}, x, y, stepped ? this.x(this.track.duration_s) : null);
    const word = `${Math.round(most / 1.1)} ${unit}`;
    pen.font = `11px ${this.theme.font}`;
    this.#plate(pen, word, this.size.width - pen.measureText(word).width - 8, top + 13);
  }

  #expected(pen, {top, height}) {
    const {theme, patterns} = this;
    const seam = top + height - 1;
    const tall = height - 16;
    const [up, down, edges, heavy] = [new Path2D(), new Path2D(), new Path2D(), new Path2D()];
    const shown = this.track.expected.filter((one) => one.from_s !== null && this.#visible(one.from_s, one.to_s));
    pen.fillStyle = theme.expect;
    for (const one of shown) {
      const [a, b, c, d] = [one.from_s, one.full_s, one.thin_s, one.to_s].map((s) => this.x(s));
      const marked = one.flagged || one.id === this.picked;
      if (d - a < 6) { // too short for a shape: only that there is something
        const bar = marked ? tall : 0.7 * tall;
        pen.fillRect(a, seam - bar, Math.max(1, d - a - 0.5), bar);
        continue;
      }
      polygon(up, [[a, seam], [b, seam - tall], [b, seam]]);
      polygon(down, [[c, seam - tall], [d, seam], [c, seam]]);
      polygon(marked ? heavy : edges, [[a, seam], [b, seam - tall], [c, seam - tall], [d, seam]]);
    }
    paint(pen, up, patterns.expectUp, theme.expect, 1);
    paint(pen, down, patterns.expectDown, theme.expect, 1);
    paint(pen, edges, null, theme.expect, 1);
    paint(pen, heavy, null, theme.expect, 2.5);
    for (const one of shown) this.#inside(pen, one.label, this.x(one.from_s), this.x(one.to_s), seam - 6, theme.ink, one.flagged ? "bold" : "");
  }

  #heard(pen, {top, height}) {
    const {theme, patterns} = this;
    const seam = top + 1;
    const low = seam + height - 16;
    const lane = this.track.heard;
    for (let i = Math.max(0, firstAfter(lane, this.view.from, "from_s") - 1); i < lane.length; i += 1) {
      const one = lane[i];
      if (one.from_s > this.view.to) break;
      const to = one.to_s ?? this.track.duration_s;
      const a = this.x(one.from_s);
      const b = Math.max(a + 1, this.x(to));
      if (b - a < 2.5 && one.state !== "air") { // too short for a shape: only that there was something
        pen.fillStyle = theme.hear;
        pen.fillRect(a, seam, b - a, (low - seam) * (one.state === "steady" ? 1 : 0.5));
        continue;
      }
      if (one.state === "air") { pen.fillStyle = theme.hear; pen.fillRect(a, seam, b - a, 2); }
      if (one.state === "entry") shape(pen, [[a, seam], [b, seam], [b, low]], patterns.hearUp, theme.hear);
      if (one.state === "exit") shape(pen, [[a, seam], [b, seam], [a, low]], patterns.hearDown, theme.hear);
      if (one.state === "steady") shape(pen, [[a, seam], [b, seam], [b, low], [a, low]], theme.wash, theme.hear);
      const hatched = one.state === "entry" || one.state === "exit";
      if (one.state !== "air" || b - a > 120) this.#inside(pen, STATE_WORDS[one.state], a, b, seam + 16, theme.ink, "", hatched);
    }
    for (const one of this.track.corrected ?? []) this.#bracket(pen, this.x(one.from_s), this.x(one.to_s), top + height - 8);
  }

  // By hand: a double line with upright ends.
  #bracket(pen, from, to, y) {
    pen.fillStyle = this.theme.ink;
    pen.fillRect(from, y, to - from, 1.5);
    pen.fillRect(from, y + 3, to - from, 1.5);
    for (const x of [from, to]) pen.fillRect(x - 1, y - 5, 2, 12);
    this.#inside(pen, "by hand", from, to, y - 3, this.theme.ink);
  }

  // A word inside a bar, only where it fits whole.
  #inside(pen, text, from, to, y, colour, weight = "", onPlate = false) {
    const left = Math.max(from, this.gutter);
    const right = Math.min(to, this.size.width);
    if (right - left < 14) return;
    pen.font = `${weight} 12px ${this.theme.font}`;
    const wide = pen.measureText(text).width;
    if (right - left < wide + 6) return;
    if (onPlate) this.#plate(pen, text, (left + right - wide) / 2, y);
    else this.#text(pen, text, (left + right - wide) / 2, y, colour, 12, weight);
  }

  #gaps(pen) {
    for (const gap of this.track.gaps) {
      if (!this.#visible(gap.from_s, gap.to_s)) continue;
      const left = this.x(gap.from_s);
      const right = Math.max(left + 3, this.x(gap.to_s));
      const top = this.rows.heard?.top ?? 0;
      pen.fillStyle = this.patterns.gap;
      pen.fillRect(left, top, right - left, this.size.height - top);
      this.#inside(pen, "not listening", left, right, top + 34, this.theme.ink);
    }
  }

  #flags(pen, {top, height}) {
    const {theme} = this;
    const ends = [-Infinity, -Infinity];
    const flags = this.track.flags.filter((flag) => this.#visible(flag.at_s, flag.at_s));
    pen.fillStyle = theme.flag;
    for (const flag of flags) pen.fillRect(this.x(flag.at_s) - 1, top + 4, 2, height - 4); // under all words
    for (const flag of flags) {
      pen.font = `bold 12px ${theme.font}`;
      const wide = pen.measureText(flag.kind).width;
      const left = Math.min(this.x(flag.at_s) + 5, this.size.width - wide - 8);
      const row = left > ends[0] ? 0 : left > ends[1] ? 1 : -1;
      if (row < 0) continue;
      ends[row] = left + wide + 8;
      const y = top + 4 + row * 18;
      pen.fillStyle = theme.flag;
      pen.fillRect(left - 3, y, wide + 8, 16);
      this.#text(pen, flag.kind, left + 1, y + 12, theme.paper, 12, "bold");
    }
    for (const mark of this.track.marks) {
      if (!this.#visible(mark.at_s, mark.at_s)) continue;
      this.#text(pen, "▾", this.x(mark.at_s) - 4, top + height - 2, theme.soft, 12);
    }
  }
}
