// The path seen from above, with the tool's place.

import {readTheme} from "./ink.js";

export class Plan {
  constructor(holder, plan) {
    this.plan = plan;
    this.holder = holder;
    this.base = document.createElement("canvas");
    this.over = document.createElement("canvas");
    for (const canvas of [this.base, this.over]) canvas.setAttribute("aria-hidden", "true");
    this.over.className = "scope-overlay";
    holder.classList.add("plan");
    holder.append(this.base, this.over);
    this.program_s = null;
    this.#measure();
    new ResizeObserver(() => this.draw()).observe(holder);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.draw());
  }

  #measure() {
    const known = (values) => values.filter((value) => value !== null);
    const range = (values) => values.reduce(([low, high], value) => [Math.min(low, value), Math.max(high, value)], [Infinity, -Infinity]);
    this.range = {x: range(known(this.plan.x)), y: range(known(this.plan.y))};
  }

  #place(x, y) {
    const {range, size} = this;
    const pad = 26;
    const scale = Math.min((size.width - 2 * pad) / Math.max(1, range.x[1] - range.x[0]), (size.height - 2 * pad) / Math.max(1, range.y[1] - range.y[0]));
    const middleX = (range.x[0] + range.x[1]) / 2;
    const middleY = (range.y[0] + range.y[1]) / 2;
    return [size.width / 2 + (x - middleX) * scale, size.height / 2 - (y - middleY) * scale];
  }

  draw() {
    const theme = readTheme(this.holder);
    this.theme = theme;
    const ratio = window.devicePixelRatio || 1;
    this.size = {width: Math.max(50, this.holder.clientWidth), height: Math.max(50, this.holder.clientHeight)};
    for (const canvas of [this.base, this.over]) {
      canvas.width = this.size.width * ratio;
      canvas.height = this.size.height * ratio;
      canvas.style.width = `${this.size.width}px`;
      canvas.style.height = `${this.size.height}px`;
    }
    const pen = this.base.getContext("2d", {alpha: false});
    if (!pen) return;
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.fillStyle = theme.paper;
    pen.fillRect(0, 0, this.size.width, this.size.height);
    const many = this.plan.x.length > 1000; // then dashes are no longer seen, but take their time
    this.#path(pen, false, theme.line, 1, many ? [] : [4, 4]);
    this.#path(pen, true, theme.expect, 2, []);
    pen.font = `12px ${theme.font}`;
    pen.fillStyle = theme.soft;
    pen.fillText("X →", this.size.width - 34, this.size.height - 8);
    pen.fillText("Y ↑", 6, 16);
    this.moveTo(this.program_s);
  }

  #path(pen, cut, colour, width, dash) {
    const {plan} = this;
    pen.strokeStyle = colour;
    pen.lineWidth = width;
    pen.setLineDash(dash);
    pen.beginPath();
    for (let i = 1; i < plan.x.length; i += 1) {
      if (plan.cut[i] !== cut || plan.x[i - 1] === null || plan.y[i - 1] === null || plan.x[i] === null || plan.y[i] === null) continue;
      pen.moveTo(...this.#place(plan.x[i - 1], plan.y[i - 1]));
      pen.lineTo(...this.#place(plan.x[i], plan.y[i]));
    }
    pen.stroke();
    pen.setLineDash([]);
  }

  // Where the tool is at a program time, null where that is not known.
  at(program_s) {
    const {plan} = this;
    if (program_s === null || !plan.program_s.length) return null;
    let low = 0;
    let high = plan.program_s.length - 1;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (plan.program_s[middle] < program_s) low = middle + 1;
      else high = middle;
    }
    const before = Math.max(0, low - 1);
    const length = plan.program_s[low] - plan.program_s[before];
    const share = length > 0 ? Math.min(1, Math.max(0, (program_s - plan.program_s[before]) / length)) : 0;
    const mix = (axis) => plan[axis][before] === null || plan[axis][low] === null ? null
      : plan[axis][before] + share * (plan[axis][low] - plan[axis][before]);
    const found = {x: mix("x"), y: mix("y"), z: mix("z")};
    return found.x === null || found.y === null ? null : found;
  }

  moveTo(program_s) {
    this.program_s = program_s;
    if (!this.size) return;
    const ratio = window.devicePixelRatio || 1;
    const pen = this.over.getContext("2d");
    if (!pen) return;
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, this.size.width, this.size.height);
    const place = this.at(program_s);
    if (!place) return;
    const [x, y] = this.#place(place.x, place.y);
    pen.strokeStyle = this.theme.ink;
    pen.lineWidth = 2;
    pen.beginPath();
    pen.arc(x, y, 7, 0, 2 * Math.PI);
    pen.moveTo(x - 12, y);
    pen.lineTo(x + 12, y);
    pen.moveTo(x, y - 12);
    pen.lineTo(x, y + 12);
    pen.stroke();
  }
}
