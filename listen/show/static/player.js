// Plays a run, or its reference cut, and tells with each frame of the screen where it is.

// Bytes of a Base64 element of the page.
export function heldBytes(id) {
  const text = document.getElementById(id)?.textContent ?? "";
  if (!text) return new Uint8Array(0);
  if (Uint8Array.fromBase64) return Uint8Array.fromBase64(text);
  const letters = atob(text);
  const bytes = new Uint8Array(letters.length);
  for (let i = 0; i < letters.length; i += 1) bytes[i] = letters.charCodeAt(i);
  return bytes;
}

export async function unpacked(bytes) {
  if (!bytes.length) return bytes;
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

export class Player extends EventTarget {
  constructor(duration_s) {
    super();
    this.duration_s = duration_s;
    this.audio = null; // without sound a clock runs instead, so that the lanes can still be played
    this.speed = 1;
    this.loop = null;
    this.stopAt = null;
    this.running = false;
    this.second = 0;
    this.lastTick = 0;
  }

  give(bytes, type) {
    if (!bytes.length) return;
    this.audio = new Audio(URL.createObjectURL(new Blob([bytes], {type})));
    this.audio.preload = "auto";
    this.audio.preservesPitch = true;
    this.audio.addEventListener("ended", () => this.pause());
    this.audio.currentTime = this.second;
  }

  get now() {
    return this.audio && this.running ? this.audio.currentTime : this.second;
  }

  seek(second) {
    this.second = Math.min(Math.max(0, second), this.duration_s);
    if (this.audio) this.audio.currentTime = this.second;
    this.dispatchEvent(new CustomEvent("tick", {detail: this.second}));
  }

  setSpeed(speed) {
    this.speed = speed;
    if (this.audio) this.audio.playbackRate = speed;
  }

  setVolume(volume) {
    if (this.audio) this.audio.volume = Math.min(1, volume);
  }

  // Play from here, or a stretch once.
  async play(from = null, to = null) {
    if (from !== null) this.seek(from);
    else if (this.second >= this.duration_s - 0.01) this.seek(0);
    this.stopAt = to;
    this.running = true;
    this.lastTick = performance.now();
    if (this.audio) {
      this.audio.playbackRate = this.speed;
      await this.audio.play().catch(() => this.pause());
    }
    this.dispatchEvent(new CustomEvent("state"));
    requestAnimationFrame(() => this.#tick());
  }

  pause() {
    if (!this.running) return;
    this.second = this.now;
    this.running = false;
    this.audio?.pause();
    this.dispatchEvent(new CustomEvent("state"));
  }

  toggle() {
    if (this.running) this.pause();
    else this.play();
  }

  #tick() {
    if (!this.running) return;
    const now = performance.now();
    this.second = this.audio ? this.audio.currentTime : this.second + ((now - this.lastTick) / 1000) * this.speed;
    this.lastTick = now;
    if (this.loop && this.second >= this.loop.to) this.seek(this.loop.from);
    if (this.stopAt !== null && this.second >= this.stopAt) { this.stopAt = null; this.pause(); }
    if (this.second >= this.duration_s) this.pause();
    this.dispatchEvent(new CustomEvent("tick", {detail: this.second}));
    if (this.running) requestAnimationFrame(() => this.#tick());
  }
}
