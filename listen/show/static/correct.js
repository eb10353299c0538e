// The part of the page in which what was heard is corrected by hand.

import {clockText, make} from "./words.js";
import {Corrections, VERDICTS, addHeard, saveText} from "./labels.js";

export function wireCorrections(page) {
  const {run, scope, player, track, $} = page;
  const corrections = new Corrections(run);
  let row = null;

  const fillChoices = () => {
    const choices = run.contacts.map((one) => make("option", {value: String(one.id)}, `${one.label}, ${one.said ?? one.verdict}`));
    $("fix-contact").replaceChildren(...choices);
  };
  const enabled = () => $("correct").open;
  const tell = (text) => { $("fix-said").textContent = text; };

  const show = () => {
    row = page.picked ?? run.contacts.find((one) => String(one.id) === $("fix-contact").value) ?? run.contacts[0] ?? null;
    for (const id of ["fix-from", "fix-to", "fix-verdict", "fix-note", "fix-undo"]) $(id).disabled = row === null;
    if (row === null) return;
    const now = corrections.of(row);
    $("fix-contact").value = String(row.id);
    $("fix-from").value = now.heard ? now.heard[0].toFixed(3) : "";
    $("fix-to").value = now.heard ? now.heard[1].toFixed(3) : "";
    $("fix-verdict").value = now.verdict;
    $("fix-note").value = now.note;
    track.corrected = corrections.lane();
    scope.redraw();
  };

  const change = (changes, word) => {
    if (row === null) return;
    corrections.set(row, changes);
    page.picked = row;
    show();
    tell(`${row.label}: ${word}; ${corrections.byContact.size} corrected, not saved yet`);
  };

  const times = () => {
    const from = $("fix-from").valueAsNumber;
    const to = $("fix-to").valueAsNumber;
    if (!(from >= 0 && to > from && to <= run.duration_s + 0.001)) {
      tell(`Times must be in order and within 0 and ${run.duration_s.toFixed(3)} s.`);
      return;
    }
    change({heard: [from, to]}, `now ${from.toFixed(3)} to ${to.toFixed(3)} s`);
  };

  $("fix-verdict").replaceChildren(...VERDICTS.map((word) => make("option", {value: word}, word)));
  $("fix-contact").onchange = () => {
    page.picked = run.contacts.find((one) => String(one.id) === $("fix-contact").value) ?? null;
    show();
  };
  $("fix-from").onchange = times;
  $("fix-to").onchange = times;
  $("fix-verdict").onchange = (event) => {
    const verdict = event.target.value;
    change(verdict === "not heard" ? {verdict, heard: null} : {verdict}, `verdict ${verdict}`);
  };
  $("fix-note").onchange = (event) => change({note: event.target.value}, "note kept");
  $("fix-undo").onclick = () => {
    if (row === null) return;
    corrections.undo(row);
    show();
    tell(`${row.label}: as heard`);
  };
  $("fix-add").onclick = () => {
    const from = Math.max(0, Math.min(player.second, run.duration_s - 0.1));
    const made = addHeard(run, from, Math.min(run.duration_s, from + 1));
    fillChoices();
    page.picked = made.row;
    row = made.row;
    change({heard: made.heard, verdict: "unexpected"}, `added at ${clockText(from, 2)}`);
  };
  $("fix-save").onclick = () => {
    const by = $("fix-by").value.trim();
    saveText("labels.json", `${JSON.stringify(corrections.file(by), null, 1)}\n`);
    tell(`Saved labels.json with ${corrections.byContact.size} corrected by hand: put it into the run's folder.`);
  };

  scope.addEventListener("press", (event) => {
    if (!enabled()) return;
    const near = corrections.edgeNear(scope, event.detail.second);
    if (!near) return;
    scope.held = near;
    page.picked = near.row;
    show();
  });
  scope.addEventListener("haul", (event) => {
    const {row: held, index} = scope.held;
    const heard = [...corrections.of(held).heard];
    heard[index] = index === 0 ? Math.min(event.detail.second, heard[1] - 0.005) : Math.max(event.detail.second, heard[0] + 0.005);
    row = held;
    change({heard}, `now ${heard[0].toFixed(3)} to ${heard[1].toFixed(3)} s`);
  });
  scope.addEventListener("drop", () => { scope.held = null; });
  scope.addEventListener("hover", (event) => {
    const near = enabled() && corrections.edgeNear(scope, event.detail.second);
    scope.holder.style.cursor = near ? "ew-resize" : "";
  });
  window.addEventListener("beforeunload", (event) => {
    if (corrections.byContact.size && !$("fix-said").textContent.startsWith("Saved")) event.preventDefault();
  });
  page.refresh = show;
  fillChoices();
  show();
}
