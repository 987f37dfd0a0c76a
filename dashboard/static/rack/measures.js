// Lengths in a form: typed and shown in the page's measure, kept in millimetres (to a thousandth) and whole metres.
import { INCH, inches } from "../desk/speech.js";

const FOOT = 0.3048; // m, exactly
const PLACES = 5; // 0.00001 in are 0.25 µm: enough for every thousandth of a millimetre

/** Millimetres of a length in inches, to a thousandth. */
export const mmOf = (inch) => Math.round(Number(inch) * INCH * 1000) / 1000;

/** The shortest number of inches that stands for just these millimetres. */
export function inchOf(mm) {
  const kept = Math.round(mm * 1000) / 1000;
  for (let places = 0; places < PLACES; places += 1) {
    const text = (kept / INCH).toFixed(places);
    if (mmOf(text) === kept) return text;
  }
  return (kept / INCH).toFixed(PLACES);
}

export const metresOf = (feet) => Math.round(Number(feet) * FOOT);
export const feetOf = (metres) => String(Math.round(metres / FOOT));

const SHOWN = { mm: inchOf, m: feetOf };
const KEPT = { mm: mmOf, m: metresOf };

/** Puts a value of the server into its field. */
export function show(input, value) {
  const as = inches && SHOWN[input.dataset.measure];
  input.value = value === null || value === undefined ? "" : as ? as(value) : value;
  input.dataset.given = value ?? "";
  input.dataset.shown = input.value;
}

/** The number in a field as the server wants it: one that nobody touched is what the server gave. */
export function said(input) {
  if (input.dataset.given && input.value === input.dataset.shown) return Number(input.dataset.given);
  const of = inches && KEPT[input.dataset.measure];
  return of ? of(input.value) : Number(input.value);
}
