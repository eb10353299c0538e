// A soft beep at flags and cues, off until it is asked for. The run is told of each, so that the ear passes over it.

const HZ = 880;
const LONG_S = 0.12;
const RAMP_S = 0.02; // so slow that nobody jumps
const LOUD = 0.3;
const REST_S = 2;
const FRESH_S = 1; // what a page that joins late is told is old
const CUES = ["hold now", "before its line", "cutting stopped", "spindle not heard"];

let sound = null;
let last = -Infinity;

document.getElementById("beep")?.addEventListener("change", (event) => {
  sound ??= new AudioContext();
  if (event.target.checked) sound.resume();
  else sound.suspend();
});

// Whether something told at second `now` of the run is to be heard.
export function beepsNow(item, now) {
  const isOne = item.type === "flag" || (item.type === "cue" && CUES.includes(item.kind));
  return isOne && document.getElementById("beep").checked && now - item.at_s < FRESH_S;
}

// Beep, and say so first.
export function beep(tell) {
  if (!sound || sound.currentTime - last < REST_S) return;
  last = sound.currentTime;
  tell();
  const tone = new OscillatorNode(sound, {frequency: HZ});
  const level = new GainNode(sound, {gain: 0});
  tone.connect(level).connect(sound.destination);
  level.gain.linearRampToValueAtTime(LOUD, last + RAMP_S);
  level.gain.setValueAtTime(LOUD, last + LONG_S - RAMP_S);
  level.gain.linearRampToValueAtTime(0, last + LONG_S);
  tone.start(last);
  tone.stop(last + LONG_S);
}
