// How loud is the workshop: published limits beside a level that somebody measured; the page measures none.

import {allowedHours, dosePercent} from "./coach_figures.js";
import {at} from "./coach_progress.js";
import {make} from "./words.js";

function tell({rules}) {
  const [level, hours] = [at("noise-level").valueAsNumber, at("noise-hours").valueAsNumber];
  const known = Number.isFinite(level) && hours > 0;
  at("noise-words").textContent = known ? `Uncalibrated estimate. If it were ${level} dB(A) for ${hours} h: ${rules.map((rule) =>
    `${rule.name}: ${Number(allowedHours(rule, level).toPrecision(3))} h a day allowed at this level, dose ${dosePercent(rule, level, hours).toFixed(0)} %`).join("; ")}.` : "";
}

export function startNoise(noise) {
  at("noise-caution").textContent = noise.caution;
  at("noise-heads").replaceChildren(make("tr", {}, make("th", {scope: "col"}, "dB(A)"), ...noise.rules.map((rule) => make("th", {scope: "col"}, rule.name))));
  at("noise-rows").replaceChildren(...noise.levels_db.map((level, i) =>
    make("tr", {}, make("th", {scope: "row"}, String(level)), ...noise.rules.map((rule) => make("td", {class: "figure"}, `${rule.allowed_h[i]} h`)))));
  for (const id of ["noise-level", "noise-hours"]) at(id).addEventListener("input", () => tell(noise));
  tell(noise);
}
