// The mark in the head says whether all is safe; it starts the sending, and shows what was said for this page before.
import * as outbox from "./outbox.js";
import { allArrived, counted, icon, number, saidBefore, show, words } from "./outbox_words.js";

const badge = document.querySelector("[data-outbox-badge]");
const told = badge.querySelector("[data-badge-words]");
const aloud = document.querySelector("[data-badge-said]");
const DAY = 24 * 3600 * 1000;
const MOST_HERE = 4;
// Addresses where something is written down; whoever only looks at a trailer holds nothing back from its release.
const WRITES = /\/trailer\/(\d+)\/(log|count|seal|safety|incident|pictures)\//;

function look(face, amber, ...lines) {
  const text = lines.join(", ");
  badge.hidden = false;
  badge.classList.toggle("late", amber);
  for (const each of badge.querySelectorAll("[data-badge-face]")) each.hidden = each.dataset.badgeFace !== face;
  if (told.dataset.text === text) return;
  const first = !told.dataset.text;
  told.dataset.text = text;
  told.replaceChildren(...lines.flatMap((line) => [bold(line), " "]));
  if (!first) aloud.textContent = text;
}

function bold(line) {
  const element = document.createElement("b");
  element.textContent = line;
  return element;
}

async function refresh() {
  const { waiting, refused, oldest } = await outbox.tally();
  const late = oldest && Date.now() - new Date(oldest) > DAY;
  const lines = [];
  if (waiting) lines.push(counted(waiting, "one", "some"));
  if (refused) lines.push(counted(refused, "oneRefused", "refused"));
  if (!lines.length) {
    look("safe", false, words.safe);
    allArrived();
  } else {
    look(refused || late ? "warn" : "send", Boolean(refused || late), ...lines);
  }
  await showHere();
}

// --- what waits for the trailer of this page ---

const trailer = Number(/\/trailer\/(\d+)\//.exec(location.pathname)?.[1]) || null;
let here = null;

async function showHere() {
  if (!trailer || document.querySelector("[data-count]")) return; // Count has its own word on it, and the answer needs the room
  const site = document.documentElement.dataset.site;
  const rows = (await outbox.listOfFew()).filter((record) => record.trailer === trailer && record.site === site);
  const texts = together(rows.filter((record) => !record.after).map((record) => record.title).filter(Boolean));
  const parts = texts.slice(-MOST_HERE);
  if (texts.length > MOST_HERE) parts[MOST_HERE - 1] += ` ${words.more.replace("{n}", number(texts.length - MOST_HERE))}`;
  const photos = rows.filter((record) => record.after && record.files.length).length;
  if (photos) parts.push(counted(photos, "onePhoto", "photos"));
  const text = parts.length ? `${words.here} ${parts.join("; ")}` : "";
  if (!text) { here?.remove(); here = null; return; }
  here ??= document.querySelector("main .pagehead").parentNode.insertBefore(document.createElement("p"), document.querySelector("main .pagehead").nextSibling);
  here.className = "waitshere";
  if (here.textContent !== text) here.replaceChildren(icon("up"), ` ${text}`);
}

/* Equal titles once, with how many there are. */
function together(titles) {
  const counts = new Map();
  for (const title of titles) counts.set(title, (counts.get(title) ?? 0) + 1);
  return [...counts].map(([title, n]) => (n === 1 ? title : `${title} × ${number(n)}`));
}

async function begin() {
  for (const said of saidBefore().reverse()) show(said);
  if (!outbox.usable()) return look("warn", true, words.nothingKept);
  outbox.on((event) => { if (event.type === "changed") refresh().catch(() => {}); });
  try {
    await refresh();
  } catch {
    return look("warn", true, words.nothingKept);
  }
  if (WRITES.test(location.pathname)) await outbox.noteWork(document.documentElement.dataset.site, trailer);
  outbox.start();
  setInterval(() => refresh().catch(() => {}), 60000);
}

begin();
if (document.querySelector("form[data-outbox]")) import("./send_form.js");
