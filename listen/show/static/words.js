// Words and numbers as screens show them; one place for live, replay and coach pages.

export const STATE_WORDS = {air: "air", entry: "entry", steady: "in the cut", exit: "exit"};

export const FIXED_LINE = "This screen cannot stop the machine. Watch the machine.";

// How sure, in a word: probabilities are never shown as bare numbers.
export function sureWord(probability, verdict) {
  if (verdict === "cannot tell") return "cannot tell";
  return probability >= 0.95 ? "sure" : "likely";
}

// "1:05.3": minutes and seconds with as many digits as a view needs.
export function clockText(seconds, digits = 1) {
  if (seconds === null || !Number.isFinite(seconds)) return "–";
  const whole = Number(Math.max(0, seconds).toFixed(digits)); // 59.6 without digits is 1:00, not 0:60
  const minutes = Math.floor(whole / 60 + 1e-9);
  const rest = (whole - 60 * minutes).toFixed(digits);
  return `${minutes}:${rest.padStart(digits ? 3 + digits : 2, "0")}`;
}

// A length in mm as the person reads it: in the unit of the job, inches with two more digits.
export function lengthNumber(mm, unit, digits) {
  const text = (mm / mmPer(unit)).toFixed(unit === "inch" ? digits + 2 : digits);
  return Number(text) === 0 ? text.replace("-", "") : text;
}

export function lengthText(mm, unit, digits) {
  return `${lengthNumber(mm, unit, digits)} ${unit}`;
}

// Millimetres in one of a unit, and a feed in mm/min as the person reads it.
export const mmPer = (unit) => (unit === "inch" ? 25.4 : 1);

export const feedNumber = (mmPerMin, unit) => Number((mmPerMin / mmPer(unit)).toFixed(2));

export const feedText = (mmPerMin, unit) => `${feedNumber(mmPerMin, unit)} ${unit}/min`;

// So many of a thing: "1 run", "3 runs".
export function counted(number, thing) {
  return `${number} ${thing}${number === 1 ? "" : "s"}`;
}

// A step between ruler marks that leaves about `room` pixels for each.
export function rulerStep(secondsPerPixel, room) {
  const steps = [0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800, 3600];
  return steps.find((step) => step >= secondsPerPixel * room) ?? 7200;
}

export function stepDigits(step) {
  return step >= 1 ? 0 : Math.ceil(-Math.log10(step) - 1e-9);
}

// In place of a table of contacts, where there are none.
export const NO_CONTACTS = "no contact was expected, and none was heard";

// Text in one piece, in which no line breaks between a sign and its number: a browser would break "Z-4.2".
const SIGNED = /((?<![\p{L}\d_-])\p{L}?-\.?\d[\d.]*)/u;

function unbroken(text) {
  const pieces = text.split(SIGNED);
  if (pieces.length === 1) return text;
  const held = document.createElement("span");
  held.append(...pieces.map((piece, i) => {
    if (i % 2 === 0) return piece;
    const whole = document.createElement("span");
    whole.className = "signed";
    whole.textContent = piece;
    return whole;
  }));
  return held;
}

// Set the text of an element.
export function write(element, text) {
  element.replaceChildren(unbroken(String(text)));
}

// Make an element: tag, properties, children; text is always text, never markup.
export function make(tag, properties = {}, ...children) {
  const element = document.createElement(tag);
  for (const [key, value] of Object.entries(properties)) {
    if (key === "class") element.className = value;
    else if (key.startsWith("data-") || key.startsWith("aria-") || key === "role" || key === "for" || key === "scope") {
      element.setAttribute(key, value);
    } else element[key] = value;
  }
  element.append(...children.map((child) => (typeof child === "string" ? unbroken(child) : child)));
  return element;
}
