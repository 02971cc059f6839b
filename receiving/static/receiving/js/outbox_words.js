/* The outbox's words in the person's language: they stand as data on the mark in the page's head. */
const badge = document.querySelector("[data-outbox-badge]");
const root = document.documentElement;

export const words = badge?.dataset ?? {};
export const number = (n) => n.toLocaleString(root.lang);

/* `one` for one, else `many` with the number put in. */
export const counted = (n, one, many) => (n === 1 ? words[one] : words[many].replace("{n}", number(n)));

const OWN = { hash_differs: "hashDiffers", too_large: "tooLarge", not_at_site: "lostRight", no_right: "lostRight", not_found: "lostRight" };

/* The sentence of a refusal: the server's, or ours where it gave none. */
export const sentence = (error) => error.message || words[OWN[error.code]] || words.failed;

const LATER = "said";

/* Words for the page that is opened next: [{level, text, waits}]. */
export function sayNext(said) {
  try { sessionStorage.setItem(LATER, JSON.stringify(said)); } catch { /* private window: the page itself shows what is true */ }
}

export function saidBefore() {
  try {
    const said = JSON.parse(sessionStorage.getItem(LATER)) ?? [];
    sessionStorage.removeItem(LATER);
    return said;
  } catch {
    return [];
  }
}

const LOOKS = { success: ["ok", "check"], error: ["stop", "stop"], warning: ["warn", "warn"] };

/* A notice as the server's pages have them. */
export function notice({ level, text }) {
  const [look, drawing] = LOOKS[level] ?? ["info", "info"];
  const box = document.createElement("div");
  box.className = `notice ${look}`;
  box.setAttribute("role", "status");
  const inside = document.createElement("div");
  const line = document.createElement("p");
  line.textContent = text;
  inside.append(line);
  box.append(icon(drawing), inside);
  return box;
}

export function icon(name) {
  const picture = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  picture.setAttribute("class", "icon");
  picture.setAttribute("aria-hidden", "true");
  const use = document.createElementNS("http://www.w3.org/2000/svg", "use");
  const drawings = document.querySelector("svg.icon use").getAttribute("href").split("#")[0];
  use.setAttribute("href", `${drawings}#${name}`);
  picture.append(use);
  return picture;
}

/* Shows a notice on top of the page, below its heading. `waits`: it says that something is still to arrive. */
export function show(said) {
  const box = notice(said);
  box.toggleAttribute("data-until-arrived", Boolean(said.waits));
  document.querySelector("main .pagehead").after(box);
  return box;
}

/* What notices promised has come true. */
export function allArrived() {
  for (const box of document.querySelectorAll("[data-until-arrived]")) box.replaceWith(notice({ level: "success", text: words.arrived }));
}
