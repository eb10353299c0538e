// Many runs on one page: verdicts per contact over time, and how level and load drift.

import {counted, make} from "./words.js";
import {fillTable} from "./tables.js";

const report = JSON.parse(document.getElementById("data").textContent);
const SVG = "http://www.w3.org/2000/svg";

// Short words that fit a cell; the whole verdict is its title and is read out.
const CELL_WORDS = {
  "as expected": "expected", "started early": "early", "started late": "late", "ended early": "short",
  "ended late": "long", "cannot tell": "?", "": "·",
};

function cell(verdict, strength, run) {
  const odd = verdict && verdict !== "as expected";
  const strong = strength === "heavier" || strength === "lighter" ? `, ${strength}` : "";
  const made = make("td", {class: odd || strong ? "cell look" : "cell", title: `${run}: ${verdict || "not in this run"}${strong}`},
    `${CELL_WORDS[verdict] ?? verdict}${strong ? (strength === "heavier" ? " +" : " −") : ""}`);
  return made;
}

function shape(name, properties) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(properties)) element.setAttribute(key, value);
  return element;
}

// A drift as a small line, its change in words; at least `least` high, so that what is nothing looks flat.
function drift(values, unit, least) {
  const known = values.map((value, i) => [i, value]).filter(([, value]) => value !== null);
  if (!drifts(values)) return make("td", {}, "–");
  const numbers = known.map(([, value]) => value);
  const middle = (Math.min(...numbers) + Math.max(...numbers)) / 2;
  const range = Math.max(least, Math.max(...numbers) - Math.min(...numbers));
  const x = (i) => 2 + (96 * i) / Math.max(1, values.length - 1);
  const y = (value) => 12 - (20 * (value - middle)) / range;
  const drawing = shape("svg", {viewBox: "0 0 100 24", width: "100", height: "24", role: "img"});
  const change = known.at(-1)[1] - known[0][1];
  const amount = Math.abs(change).toFixed(1);
  const words = `${amount === "0.0" ? "±" : change > 0 ? "+" : "−"}${amount} ${unit}`;
  drawing.setAttribute("aria-label", `from first to last run ${words}`);
  drawing.append(shape("polyline", {points: known.map(([i, value]) => `${x(i)},${y(value)}`).join(" "), class: "drift"}));
  return make("td", {class: "figure"}, drawing, ` ${words}`);
}

const DRIFTS = [{key: "level_db", name: "Level, first to last", unit: "dB", least: 6}, {key: "load", name: "Load, first to last", unit: "", least: 10}];

function drifts(values) {
  return values.filter((value) => value !== null).length > 1;
}

function programPart(program) {
  const runs = program.runs.map((run) => run.date || run.name);
  const told = DRIFTS.filter(({key}) => program.contacts.some((contact) => drifts(contact[key])));
  const head = make("tr", {}, make("th", {scope: "col"}, "Contact line"), ...told.map(({name}) => make("th", {scope: "col"}, name)),
    ...runs.map((run, i) => make("th", {scope: "col", title: program.runs[i].sentence}, run)));
  const body = make("tbody");
  fillTable(body, program.contacts, (contact) => make("tr", {}, make("th", {scope: "row"}, contact.label),
    ...told.map(({key, unit, least}) => drift(contact[key], unit, least)),
    ...contact.verdicts.map((verdict, i) => cell(verdict, contact.strengths[i], runs[i]))));
  const region = make("div", {class: "wide", tabIndex: 0}, make("table", {class: "grid"}, make("thead", {}, head), body));
  region.setAttribute("role", "region");
  region.setAttribute("aria-label", `Verdicts of ${program.program}`);
  const last = program.runs.at(-1);
  return make("section", {}, make("h2", {}, program.program), make("p", {}, `${counted(program.runs.length, "run")}; the last: ${last.sentence}`), region,
    make("p", {class: "hint"}, "early, late: started; short, long: ended early, late; ?: cannot tell; + heavier; − lighter; · not in this run."));
}

function startReport() {
  document.getElementById("which").textContent = "Report over runs";
  const looks = report.tools.reduce((sum, tool) => sum + tool.n_contacts - tool.n_as_expected, 0);
  const all = report.tools.reduce((sum, tool) => sum + tool.n_contacts, 0);
  document.getElementById("sentence").textContent = `${counted(report.n_runs, "run")}, ${counted(all, "contact")}, ${looks} that were not as expected`;
  for (const tool of report.tools) {
    const told = (counts) => counts.map(([word, n]) => `${n} ${word}`).join(", ") || "none";
    document.getElementById("tool-rows").append(make("tr", {}, make("th", {scope: "row"}, `T${tool.tool}`), make("td", {}, String(tool.n_contacts)),
      make("td", {}, String(tool.n_as_expected)), make("td", {}, told(tool.others)), make("td", {}, told(tool.flags))));
  }
  document.getElementById("programs").append(...report.programs.map(programPart));
  document.documentElement.dataset.ready = "yes";
}

startReport();
