// The one-page record of a first run, to print: what was heard and what a person saw stay apart.

import {NO_CONTACTS, clockText, make} from "./words.js";
import {simpleRow, stretchText, verdictText} from "./tables.js";

const BLANK_ROWS = 5;
const MOST_ROWS = 18;

// Of a long run the record shows what needs a look first, then as many others as fit.
export function rowsForRecord(contacts) {
  const looks = contacts.filter((row) => row.needs_look);
  const rest = contacts.filter((row) => !row.needs_look);
  const chosen = new Set([...looks, ...rest].slice(0, MOST_ROWS));
  return contacts.filter((row) => chosen.has(row));
}

export function wireRecord({run, $}) {
  $("record-which").textContent = $("which").textContent;
  $("record-sentence").textContent = run.sentence;
  const shown = rowsForRecord(run.contacts);
  for (const row of shown) {
    $("record-heard").append(simpleRow(row.label, row.tool === null ? "–" : `T${row.tool}`, stretchText(row.expected), stretchText(row.heard), verdictText(row, run.unit)));
  }
  if (shown.length < run.contacts.length) {
    $("record-heard").append(make("tr", {}, make("td", {colSpan: 5}, `and ${run.contacts.length - shown.length} more, in run.json`)));
  }
  if (!run.contacts.length) $("record-heard").append(make("tr", {}, make("td", {colSpan: 5}, NO_CONTACTS)));
  const label = (id) => run.contacts.find((row) => row.id === id)?.label ?? "–";
  for (const look of run.looks) $("record-looks").append(simpleRow(clockText(look.at_s, 1), label(look.contact), [look.text, look.place].filter(Boolean).join(", ")));
  if (!run.looks.length) $("record-looks").append(simpleRow("", "", "nothing noted during the run"));
  for (let i = 0; i < BLANK_ROWS; i += 1) {
    const cells = ["feature", "nominal", "measured", "offset changed"].map((word) => {
      const field = make("input", {type: "text", maxLength: 60});
      field.setAttribute("aria-label", `${word}, row ${i + 1}`);
      return make("td", {}, field);
    });
    $("record-measured").append(make("tr", {}, ...cells));
  }
  $("print").onclick = () => window.print();
}
