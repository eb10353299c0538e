// The tables of a run: they work without any drawing, and say in words what the drawing shows.

import {clockText, lengthText, make} from "./words.js";

const ROWS_AT_ONCE = 200;

export function stretchText(stretch) {
  return stretch ? `${clockText(stretch[0], 2)} to ${clockText(stretch[1], 2)}` : "–";
}

// What became of a contact; of one that was heard without a job, that it was.
export function verdictText(row, unit) {
  if (row.said) return row.said;
  const strength = row.strength === "heavier" || row.strength === "lighter" ? `, ${row.strength}` : "";
  const distance = row.early_by_mm === null || row.verdict === "as expected" ? ""
    : `, ${lengthText(Math.abs(row.early_by_mm), unit, 1)} ${row.early_by_mm > 0 ? "before" : "after"} its place (by ${row.witness})`;
  return row.verdict + strength + distance;
}

// Fill a table body from rows, a few hundred at a time.
export function fillTable(body, rows, toRow) {
  let shown = 0;
  const more = () => {
    body.querySelector(".more")?.remove();
    for (const row of rows.slice(shown, shown + ROWS_AT_ONCE)) body.append(toRow(row));
    shown += ROWS_AT_ONCE;
    if (shown >= rows.length) return;
    const button = make("button", {type: "button", onclick: more}, `Show ${Math.min(ROWS_AT_ONCE, rows.length - shown)} more of ${rows.length}`);
    const cell = make("td", {colSpan: 9}, button);
    body.append(make("tr", {class: "more"}, cell));
  };
  more();
}

export function contactRow(row, {play, hasSound, unit}) {
  const where = row.heard ?? row.expected;
  const button = make("button", {type: "button", disabled: !where, onclick: () => play(row)}, hasSound ? "Play" : "Show");
  button.setAttribute("aria-label", `${hasSound ? "Play" : "Show"} ${row.label}`);
  const verdict = make("td", {class: row.needs_look ? "verdict look" : "verdict"}, verdictText(row, unit));
  if (row.reason && row.verdict !== "as expected") verdict.append(make("span", {class: "why"}, row.reason));
  return make("tr", {"data-contact": String(row.id)},
    make("th", {scope: "row"}, row.label),
    make("td", {}, button),
    verdict,
    make("td", {class: "judged"}, row.sure),
    make("td", {class: "figure"}, stretchText(row.expected)),
    make("td", {class: "figure"}, stretchText(row.heard)),
    make("td", {}, row.tool === null ? "–" : `T${row.tool}`),
    make("td", {}, row.way || "–"),
    make("td", {class: "judged"}, row.live ? calledText(row.live) : "–"));
}

function calledText({verdict, sure, called_s}) {
  return `${sure === "likely" ? "likely " : ""}${verdict} at ${clockText(called_s, 1)}`;
}

export function flagRow(flag, {play, hasSound}) {
  const button = make("button", {type: "button", onclick: () => play(flag)}, hasSound ? "Play" : "Show");
  button.setAttribute("aria-label", `${hasSound ? "Play" : "Show"} ${flag.kind} at ${clockText(flag.at_s)}`);
  return make("tr", {}, make("td", {class: "figure"}, clockText(flag.at_s, 1)), make("td", {}, button),
    make("td", {class: "verdict look"}, flag.kind), make("td", {class: "words"}, flag.text));
}

export function simpleRow(...texts) {
  return make("tr", {}, ...texts.map((text) => make("td", {}, text === null || text === "" ? "–" : String(text))));
}
