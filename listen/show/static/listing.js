// The program as it was run, with the followed line kept in sight; a subprogram of its own file takes its place.

import {make} from "./words.js";

const SHOWN = 240; // lines that are in the page at once; a long program is cut to those around the line

export class Listing {
  // Files by name, each its lines, "" the main program; marks by file and line, each the word behind it.
  constructor(holder, files, marks = new Map()) {
    this.holder = holder;
    this.files = files;
    this.marks = marks;
    this.current = null;
    this.#open("");
    this.show(1);
  }

  #open(file) {
    this.file = file;
    this.lines = this.files[file] ?? [];
    this.first = -1;
    this.current = null;
    this.rows = new Map();
    this.holder.replaceChildren();
  }

  #build(line) {
    const first = Math.max(1, Math.min(line - SHOWN / 2, this.lines.length - SHOWN + 1));
    if (first === this.first) return;
    this.first = first;
    this.rows.clear();
    const made = [];
    for (let number = first; number < Math.min(first + SHOWN, this.lines.length + 1); number += 1) {
      const row = make("li", {"data-line": String(number)}, make("span", {class: "number"}, String(number)),
        make("code", {textContent: this.lines[number - 1] || " "}));
      const mark = this.marks.get(`${this.file}:${number}`);
      if (mark) row.append(make("em", {}, mark));
      this.rows.set(number, row);
      made.push(row);
    }
    this.holder.replaceChildren(...made);
  }

  show(line, file = "") {
    if (line !== null && file !== this.file) this.#open(file);
    if (line === null || line === this.current || !this.lines.length) return;
    if (this.first < 1 || line < this.first + 20 || line > this.first + SHOWN - 20) this.#build(line);
    this.rows.get(this.current)?.removeAttribute("aria-current");
    this.current = line;
    const row = this.rows.get(line);
    if (!row) return;
    row.setAttribute("aria-current", "step");
    const middle = row.offsetTop - this.holder.clientHeight / 2 + row.offsetHeight / 2;
    this.holder.scrollTo({top: middle, behavior: "instant"});
  }
}
