// Texts in the page's language, and times, numbers and lengths in its manner. The server says which, in the html element.

const { lang = "en-GB", dataset = {} } = globalThis.document?.documentElement ?? {};
const words = globalThis.KERFBOOK_WORDS ?? {};

export const locale = lang;
export const hours = Number(dataset.hours ?? 24);
export const inches = dataset.measures === "inch";
/** First day of the week, 0 is Sunday. */
export const firstDay = Number(dataset.firstDay ?? 1);

const put = (text, values) => text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? String(values[name]) : whole));

/** A text; values stand in braces: _("{n} of {m}", { n: 1, m: 2 }). */
export const _ = (text, values = {}) => put(words[text] ?? text, values);

/** A text that depends on a number, which is {n} in it. */
export function ngettext(one, many, n, values = {}) {
  const text = words[one]?.[n === 1 ? 0 : 1] ?? (n === 1 ? one : many);
  return put(text, { n: decimal(n), ...values });
}

/** An Intl.DateTimeFormat in the page's manner. */
export const dates = (options) => new Intl.DateTimeFormat(locale, options);

/** The same for times of day: 14:02, or 2:02 pm. */
export const clocks = (options) => dates({ hour: hours === 24 ? "2-digit" : "numeric", minute: "2-digit", hourCycle: hours === 24 ? "h23" : "h12", ...options });

/** With the locale's decimal sign and groups, and exactly so many decimals. */
export const decimal = (x, digits = 0) => x.toLocaleString(locale, { minimumFractionDigits: digits, maximumFractionDigits: digits });

/** Decimal sign and groups as Plotly wants them. */
export const separators = `${decimal(1.5, 1)[1]}\u00a0`;

export const INCH = 25.4; // mm, exactly
const FOOT = 0.3048; // m

/** 300 mm, or 11.81 in. */
export function length(mm) {
  if (inches) return _("{x} in", { x: decimal(mm / INCH, mm < INCH ? 3 : 2) });
  return _("{x} mm", { x: decimal(mm, Number.isInteger(mm) ? 0 : 1) });
}

/** A length of cut: 1,200 m, or 3,937 ft. */
export const run = (metres) => (inches ? _("{x} ft", { x: decimal(metres / FOOT) }) : _("{x} m", { x: decimal(metres) }));
