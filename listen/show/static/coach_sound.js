// Plays short sounds at a known time, and tells at which second of a sound a key was pressed.

export class Desk {
  constructor() {
    this.context = new AudioContext({latencyHint: "interactive"});
    this.pairs = []; // seconds by which the page's clock is ahead of the sound's, at the loudspeaker
    this.playing = null;
  }

  async decode(bytes) {
    return this.context.decodeAudioData(bytes.slice().buffer);
  }

  // Play seconds [from, to) of a buffer, slower where pace is below 1; resolves when it has ended or was stopped.
  async play(buffer, from = 0, to = buffer.duration, pace = 1) {
    this.stop();
    await this.context.resume();
    const source = this.context.createBufferSource();
    source.buffer = buffer;
    source.playbackRate.value = pace;
    source.connect(this.context.destination);
    const startsAt = this.context.currentTime + 0.15;
    source.start(startsAt, from, to - from);
    const playing = {source, startsAt, from, to, pace};
    this.playing = playing;
    this.pairs = [];
    const watch = setInterval(() => this.#pair(), 40);
    await new Promise((resolve) => { source.onended = resolve; });
    clearInterval(watch);
    if (this.playing === playing) this.playing = null;
  }

  stop() {
    this.playing?.source.stop();
    this.playing = null;
  }

  #pair() {
    const {contextTime, performanceTime} = this.context.getOutputTimestamp();
    if (contextTime > 0) this.pairs.push(performanceTime / 1000 - contextTime);
  }

  // Second of the sound that left the loudspeaker at a time of the page's clock [ms]; null while nothing plays.
  secondAt(pageTime_ms, playing = this.playing) {
    if (!playing) return null;
    this.#pair();
    const recent = this.pairs.slice(-15).toSorted((a, b) => a - b); // the sound may stall and go on later
    const ahead = recent[Math.floor(recent.length / 2)] ?? performance.now() / 1000 - this.context.currentTime;
    return (pageTime_ms / 1000 - ahead - playing.startsAt) * playing.pace + playing.from;
  }

  // What the browser states about its own delay [s].
  get delay_s() {
    return (this.context.baseLatency || 0) + (this.context.outputLatency || 0);
  }
}

// Seconds [from, from + length) of a sound over noise of its own air, at a wanted ratio [dB].
// Both have the same air, so a part a of the sound over whole noise gives a²·cut / ((1 + a²)·air).
export function mixed(context, buffer, machine, from, length, ratio_db) {
  const wanted = 10 ** (ratio_db / 10) * machine.air_power;
  const part = Math.min(1e3, Math.sqrt(wanted / Math.max(1e-15, machine.cut_power - wanted)));
  const clip = buffer.getChannelData(0);
  const rate = buffer.sampleRate;
  const n = Math.round(length * rate);
  const first = Math.round(from * rate);
  const air = Math.round(0.95 * rate); // the clip begins with air; it is laid end to end with crossing fades
  const fade = Math.round(0.1 * rate);
  const made = new Float32Array(n);
  for (let at = -fade; at < n; at += air - fade) {
    for (let i = 0; i < air; i += 1) {
      const edge = Math.min(i, air - 1 - i) / fade;
      if (at + i >= 0 && at + i < n) made[at + i] += clip[i] * Math.sqrt(Math.min(1, edge));
    }
  }
  let power = 0;
  for (let i = 0; i < n; i += 1) {
    made[i] += part * (clip[first + i] ?? 0);
    power += made[i] ** 2;
  }
  const gain = 0.12 / Math.sqrt(power / n); // always as loud, so that loudness alone tells nothing
  for (let i = 0; i < n; i += 1) made[i] = Math.max(-1, Math.min(1, gain * made[i] * Math.min(1, i / 500, (n - i) / 500)));
  const out = context.createBuffer(1, n, rate);
  out.copyToChannel(made, 0);
  return out;
}
