/* A raw scan read as one label, as receiving/identifiers/scan.py reads it: application identifiers, symbology identifiers
   and check digits of the GS1 General Specifications. What is wrong has a code and what its sentence names. */

const SEPARATOR = "\x1d";
const GS1_SYMBOLOGIES = new Set(["]C1", "]e0", "]d2", "]Q3", "]J1"]);
// Element strings that need no separator after them: characters with the identifier, by its first two digits.
const PREDEFINED = { "00": 20, "01": 16, "02": 16, "03": 16, "04": 18, 20: 4, 41: 16 };
for (let ai = 11; ai < 20; ai += 1) PREDEFINED[ai] = 8;
for (let ai = 31; ai < 37; ai += 1) PREDEFINED[ai] = 10;
const MOST = 48;
const SHORTEST = 3;
const SSCC = 18;
const GTINS = [8, 12, 13, 14];
// The blanks that the server strips and splits at; \s knows others.
const BLANK = "\\t-\\r\\x1c-\\x20\\x85\\xa0\\u1680\\u2000-\\u200a\\u2028\\u2029\\u202f\\u205f\\u3000";
const BLANKS = new RegExp(`[${BLANK}]+`, "u");
const OUTSIDE = new RegExp(`^[${BLANK}\\x00-\\x1f\\x7f]+|[${BLANK}\\x00-\\x1f\\x7f]+$`, "gu");
const BETWEEN = new RegExp(`[${BLANK}.\\-\\u2010-\\u2015\\u2212]`, "gu");
const UNSEEN = /[\p{Cc}\p{Cf}\p{Cs}]/u;
const NOT_PRINTED = /[\p{C}\p{Z}]/u;
const PRINTED = new RegExp(`\\([${BLANK}]*(\\p{Nd}{2,4})[${BLANK}]*\\)([^(]*)`, "gu");
const TAG = /^https?:\/\/\S+\/([A-Z0-9-]+)\/piece\/([0-9]{1,9})\/?$/i;

export class NotValid extends Error {
  constructor(code, value, named = {}) {
    super(code);
    this.code = code;
    this.named = { value: shown(value), ...named };
  }
}

const printed = (character) => character === " " || !NOT_PRINTED.test(character);

function shown(value) {
  const text = [...String(value)].map((character) => (printed(character) ? character : "·"));
  return text.length <= 40 ? text.join("") : `${text.slice(0, 39).join("")}…`;
}

const clean = (text) => text.normalize("NFKC").replace(OUTSIDE, "");
const bare = (text) => clean(text).replace(BETWEEN, "");
const capitals = (text) => text.toUpperCase().normalize("NFKC");
const singleSpaced = (text) => text.split(BLANKS).filter(Boolean).join(" ");
const isDigits = (text) => /^[0-9]+$/.test(text);

export function checkDigit(digits) {
  let sum = 0;
  [...digits].reverse().forEach((digit, place) => { sum += Number(digit) * (place % 2 ? 1 : 3); });
  return String((10 - (sum % 10)) % 10);
}

function validate(digits, lengths) {
  const expected = lengths.join(" or ");
  if (!digits) throw new NotValid("empty", digits);
  if (!isDigits(digits)) throw new NotValid("wrong_form", digits, { form: `${expected} digits` });
  if (!lengths.includes(digits.length)) throw new NotValid("wrong_length", digits, { digits: digits.length, expected });
  const right = checkDigit(digits.slice(0, -1));
  if (digits.at(-1) !== right) throw new NotValid("wrong_check_digit", digits, { expected: right });
  return digits;
}

function passes(check) {
  try { check(); return true; } catch { return false; }
}

function compact(text) {
  const digits = bare(text);
  if (digits.startsWith("(00)")) return digits.slice(4);
  return digits.length === SSCC + 2 && digits.startsWith("00") ? digits.slice(2) : digits;
}

/* Whether a label is a serial shipping container code. */
export const isSscc = (text) => passes(() => validate(compact(text), [SSCC]));

/* {kind: "sscc" | "gtin" | "label", label}. Throws NotValid. */
export function readScan(raw) {
  const [symbology, text] = splitSymbology(clean(raw));
  if (!text) throw new NotValid("empty", raw);
  const isGs1 = GS1_SYMBOLOGIES.has(symbology) || raw.includes(SEPARATOR);
  const [kind, label] = readElements(text, isGs1) ?? readPlain(text, isGs1);
  return { kind, label };
}

function splitSymbology(given) {
  let [symbology, text] = ["", given];
  for (let found; (found = /^\][A-Za-z][0-9A-Za-z]/.exec(text));) {
    symbology ||= found[0];
    text = clean(text.slice(3));
  }
  return [symbology, text];
}

function readElements(text, isGs1) {
  let elements;
  if (text.startsWith("(")) elements = [...text.matchAll(PRINTED)].map(([, ai, value]) => [ai, bare(value)]);
  else if (isGs1) elements = [...elementStrings(text)];
  else return null;
  const cartons = [...new Set(elements.filter(([ai]) => ai === "00").map(([, value]) => value))];
  if (cartons.length > 1) throw new NotValid("several", text);
  if (cartons.length) return ["sscc", validate(cartons[0], [SSCC])];
  const item = elements.find(([ai, value]) => (ai === "01" || ai === "02") && isDigits(value) && value.length === 14);
  return item ? ["gtin", validate(item[1], [14])] : null;
}

function* elementStrings(text) {
  for (const run of text.split(SEPARATOR)) {
    let part = [...run];
    while (part.length) {
      const ai = part.slice(0, 2).join("");
      let length = PREDEFINED[ai] ?? part.length;
      // What is left is no further element but digits too many.
      if (ai === "00" && part.length < length + SHORTEST) length = part.length;
      yield [ai, part.slice(2, length).join("")];
      part = part.slice(length);
    }
  }
}

function readPlain(text, isGs1) {
  if (UNSEEN.test(text.replaceAll(SEPARATOR, ""))) throw new NotValid("control_characters", text);
  const digits = text.replaceAll(" ", "");
  if (isDigits(digits)) {
    const short = compact(digits);
    if (short.length === SSCC && (!isGs1 || isSscc(digits))) return ["sscc", validate(short, [SSCC])];
    if (passes(() => validate(bare(digits), GTINS))) return ["gtin", digits];
  }
  const label = singleSpaced(capitals(text));
  const length = [...label].length;
  if (length > MOST) throw new NotValid("too_long", label, { length, most: MOST });
  return ["label", label];
}

/* A label that reads badly, as the server keeps it: printable, in capitals, at most 100 characters. */
export function tidy(raw) {
  const text = raw.replaceAll(SEPARATOR, " ");
  try { return readScan(text).label; } catch { /* as read */ }
  const kept = [...clean(text)].filter(printed).join("");
  return [...singleSpaced(kept.toUpperCase())].slice(0, 100).join("");
}

/* {site, number} where the text is the address on a piece's own tag, else null. */
export function readTag(raw) {
  const found = TAG.exec(raw.trim());
  return found && { site: found[1].toUpperCase(), number: Number(found[2]) };
}

/* A carton id in groups for reading, any other label as it is. */
export function grouped(label) {
  if (!isSscc(label)) return label;
  const digits = compact(label);
  return `${digits[0]} ${digits.slice(1, 8)} ${digits.slice(8, -1)} ${digits.at(-1)}`;
}
