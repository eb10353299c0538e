// What a scope draws: spectrum columns and lanes, whole from a run or growing while listening.

import {firstAfter} from "./ink.js";

const TILE_COLUMNS = 512;
const LEVELS = 12; // each level keeps the louder of two columns of the one below

// Spectrum columns with ever coarser copies, and pictures of them kept tile by tile.
export class Spectrum {
  constructor({hop_s, start_s = 0, bands_hz, columns = null}) {
    this.hop_s = hop_s;
    this.start_s = start_s;
    this.bands_hz = bands_hz;
    this.nBands = bands_hz.length;
    this.levels = Array.from({length: LEVELS}, () => ({bytes: new Uint8Array(0), count: 0}));
    this.pictures = new Map();
    this.colours = null;
    if (columns) this.append(columns);
  }

  get count() {
    return this.levels[0].count;
  }

  // Add columns, low band first; any number of whole columns.
  append(bytes) {
    const added = Math.floor(bytes.length / this.nBands);
    this.#put(this.levels[0], bytes.subarray(0, added * this.nBands));
    for (let i = 1; i < LEVELS; i += 1) this.#pool(this.levels[i - 1], this.levels[i]);
  }

  #put(level, bytes) {
    const used = level.count * this.nBands;
    if (used + bytes.length > level.bytes.length) {
      const wider = new Uint8Array(Math.max(2 * level.bytes.length, used + bytes.length));
      wider.set(level.bytes.subarray(0, used));
      level.bytes = wider;
    }
    level.bytes.set(bytes, used);
    level.count += bytes.length / this.nBands;
  }

  #pool(fine, coarse) {
    const n = this.nBands;
    const whole = Math.floor(fine.count / 2) - coarse.count;
    if (whole <= 0) return;
    const pooled = new Uint8Array(whole * n);
    let from = coarse.count * 2 * n;
    for (let i = 0; i < whole; i += 1, from += 2 * n) {
      for (let band = 0; band < n; band += 1) {
        const a = fine.bytes[from + band];
        const b = fine.bytes[from + n + band];
        pooled[i * n + band] = a > b ? a : b;
      }
    }
    this.#put(coarse, pooled);
  }

  // New colours (256 little-endian RGBA words): forget the pictures.
  setColours(colours) {
    this.colours = colours;
    this.pictures.clear();
  }

  // Draw seconds [from, to) into a rectangle of a 2-D context.
  draw(context, from, to, left, top, width, height) {
    const perPixel = (to - from) / width / this.hop_s;
    const level = Math.max(0, Math.min(LEVELS - 1, Math.floor(Math.log2(Math.max(1, perPixel)))));
    const hop = this.hop_s * 2 ** level;
    const first = Math.max(0, Math.floor((from - this.start_s) / hop / TILE_COLUMNS));
    const last = Math.floor((to - this.start_s) / hop / TILE_COLUMNS);
    context.imageSmoothingEnabled = perPixel > 0.5;
    for (let tile = first; tile <= last; tile += 1) {
      const picture = this.#picture(level, tile);
      if (!picture) break;
      const begin = this.start_s + tile * TILE_COLUMNS * hop;
      const x = left + ((begin - from) / (to - from)) * width;
      context.drawImage(picture.canvas, 0, 0, picture.filled, this.nBands,
        x, top, (picture.filled * hop * width) / (to - from) + 0.5, height);
    }
  }

  #picture(level, tile) {
    const available = Math.min(TILE_COLUMNS, this.levels[level].count - tile * TILE_COLUMNS);
    if (available <= 0 || !this.colours) return null;
    const key = level * 1e6 + tile;
    let picture = this.pictures.get(key);
    if (!picture) {
      const canvas = document.createElement("canvas");
      canvas.width = TILE_COLUMNS;
      canvas.height = this.nBands;
      picture = {canvas, context: canvas.getContext("2d"), filled: 0};
      this.pictures.set(key, picture);
      if (this.pictures.size > 200) this.pictures.delete(this.pictures.keys().next().value);
    }
    if (picture.filled < available) this.#fill(picture, level, tile, available);
    return picture;
  }

  #fill(picture, level, tile, available) {
    const n = this.nBands;
    const wide = available - picture.filled;
    const image = picture.context.createImageData(wide, n);
    const words = new Uint32Array(image.data.buffer);
    const {bytes} = this.levels[level];
    let at = (tile * TILE_COLUMNS + picture.filled) * n;
    for (let column = 0; column < wide; column += 1, at += n) {
      for (let band = 0; band < n; band += 1) {
        words[(n - 1 - band) * wide + column] = this.colours[bytes[at + band]];
      }
    }
    picture.context.putImageData(image, picture.filled, 0);
    picture.filled = available;
  }
}

// Lanes beside the spectrum. All times in seconds; each list is in order of time.
//   expected: {id, label, from_s, full_s, thin_s, to_s, tooth_pass_hz, flagged}
//   heard:    {state, from_s, to_s, probability}       flags: {at_s, kind, text, contact}
//   load:     {at_s, value}                            position: {at_s, program_s, line, rate}
//   gaps:     {from_s, to_s, reason}                   marks: {at_s, text}
export class Track {
  constructor(values = {}) {
    this.duration_s = values.duration_s ?? 0;
    this.spectrum = values.spectrum ?? null;
    for (const name of ["expected", "heard", "flags", "load", "position", "gaps", "marks"]) this[name] = values[name] ?? [];
    this.load_unit = values.load_unit ?? "%";
  }

  // The last item of a lane that began at or before a second, null before the first.
  static lastBefore(lane, second, key = "at_s") {
    return lane[firstAfter(lane, second, key) - 1] ?? null;
  }

  // Program time that the follower had at a second of the recording [s], null before the first.
  programTime(second) {
    const index = firstAfter(this.position, second);
    if (!index) return null;
    const here = this.position[index - 1];
    const next = this.position[index];
    if (!next || next.at_s <= here.at_s) return here.program_s;
    const share = Math.min(1, (second - here.at_s) / (next.at_s - here.at_s));
    return here.program_s + share * (next.program_s - here.program_s);
  }

  lineAt(second) {
    return Track.lastBefore(this.position, second)?.line ?? null;
  }

  // Name of the file that the line is in, "" for the main program.
  fileAt(second) {
    return Track.lastBefore(this.position, second)?.file ?? "";
  }

  stateAt(second) {
    return Track.lastBefore(this.heard, second, "from_s")?.state ?? null;
  }
}
