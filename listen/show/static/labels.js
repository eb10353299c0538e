// Correcting what was heard by hand; what was heard stays beside what was corrected.

import {Track} from "./track.js";

export const VERDICTS = ["as expected", "started early", "started late", "not heard", "ended early", "ended late", "cannot tell", "unexpected"];
const FORMAT = "cut-listen labels 1";
const REACH_PX = 10;

export class Corrections {
  constructor(run) {
    this.run = run;
    this.byContact = new Map();
  }

  // What holds now for a contact: the correction, else what was heard.
  of(row) {
    return this.byContact.get(row.id) ?? {heard: row.heard ? [...row.heard] : null, verdict: row.verdict, note: ""};
  }

  set(row, changes) {
    const next = {...this.of(row), ...changes};
    if (next.heard) next.heard = [Math.min(...next.heard), Math.max(...next.heard)];
    this.byContact.set(row.id, next);
  }

  undo(row) {
    this.byContact.delete(row.id);
  }

  // Stretches to draw beside what was heard.
  lane() {
    return [...this.byContact].filter(([, one]) => one.heard).map(([id, one]) => ({id, from_s: one.heard[0], to_s: one.heard[1]}));
  }

  // The edge within reach of a place on a scope, null where there is none.
  edgeNear(scope, second) {
    const reach = (REACH_PX * (scope.view.to - scope.view.from)) / (scope.size.width - scope.gutter);
    let best = null;
    for (const row of this.run.contacts) {
      const heard = this.of(row).heard;
      if (!heard) continue;
      heard.forEach((edge, index) => {
        const distance = Math.abs(edge - second);
        if (distance <= reach && (!best || distance < best.distance)) best = {row, index, distance};
      });
    }
    return best;
  }

  file(by) {
    const stretch = (pair) => (pair ? {onset_s: rounded(pair[0]), offset_s: rounded(pair[1])} : null);
    return {
      format: FORMAT,
      program: this.run.program,
      source: this.run.source,
      sample_rate: this.run.sample_rate,
      duration_s: rounded(this.run.duration_s),
      by,
      contacts: this.run.contacts.map((row) => {
        const now = this.of(row);
        return {
          id: row.id,
          heard: stretch(row.heard),
          verdict: row.verdict,
          corrected: stretch(now.heard),
          corrected_verdict: now.verdict,
          by_hand: this.byContact.has(row.id),
          note: now.note,
        };
      }),
    };
  }
}

function rounded(second) {
  return Math.round(second * 1e6) / 1e6;
}

// Hand a file to the person.
export function saveText(name, text, type = "application/json") {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], {type}));
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
}

// A contact that someone heard and the ear did not: add it as a row of its own.
export function addHeard(run, from_s, to_s) {
  const id = Math.max(0, ...run.contacts.map((row) => row.id)) + 1;
  const row = {
    id, tool: null, line: null, label: `by hand (${id})`, way: "", expected: null, heard: null, verdict: "unexpected",
    strength: "cannot tell", sure: "cannot tell", early_by_mm: null, witness: "", reveals: "not by ear", reason: "",
    live: null, needs_look: true,
  };
  run.contacts.push(row);
  run.contacts.sort((a, b) => startOf(a) - startOf(b));
  return {row, heard: [from_s, to_s]};
}

function startOf(row) {
  return (row.heard ?? row.expected ?? [Infinity])[0];
}

export function lineOf(track, second) {
  return Track.lastBefore(track.position, second)?.line ?? null;
}
