/* Count: a scan is answered at once from the list this phone has, kept on the phone, and sent; the server's answer corrects
   the phone's where it knew better. Ear and hand know right from wrong. */
import { isOffline } from "./network.js";
import { Lists, fill, when } from "./load_list.js";
import { grouped } from "./label.js";
import { newUuid, usable } from "./outbox_store.js";
import * as outbox from "./outbox.js";
import * as scanLog from "./scan_log.js";
import * as straight from "./straight.js";
import { tell } from "./signal.js";

const TYPED = 60; // milliseconds a character: no scanner is so slow, no finger so fast
const LINES = 5;
const QUIET = 4000; // the list is read again when nobody scanned for so long
const OFTEN = 30000; // and at least so often while somebody scans
const SELDOM = 5 * 60000; // the lists of other trailers

const page = document.querySelector("[data-count]");
const text = page.dataset;
const person = Number(document.documentElement.dataset.person);
const form = document.querySelector("[data-scan-form]");
const field = form?.querySelector("input.scan");
const undoForm = document.querySelector("[data-undo-form]");
const box = document.querySelector("[data-answer-box]");
const waitingNotice = document.querySelector("[data-waiting]");
const kept = usable() && person > 0;
const sender = kept ? outbox : straight;
const url = form && new URL(form.action).pathname;

let own = null; // the server's data of this trailer and when it was made, {data, at}
let others = new Map(); // the same of the site's other trailers, by number
let lists = null;
let running = null; // {at, figures: [expected, counted, missing, over]} as the server last said
let firstKey = 0;
let away = false; // the server does not take anything from this person now
let shown = null; // the scan whose answer stands in the box
const undos = new Map(); // what takes back and waits: its number by that of the scan, or by its own where it names none
const entries = new Map(); // this person's scans here by number, in order; see scan_log.js, and `state`

// --- the lists ---

async function read(address) {
  const answer = await fetch(address, { headers: { Accept: "application/json" }, cache: "no-cache" });
  if (!answer.ok || answer.redirected) throw new Error(String(answer.status));
  return { data: await answer.json(), at: Date.parse(answer.headers.get("X-List-At")), read: Date.now() };
}

let reading = null;
function readOwn() {
  reading ??= read(page.dataset.list).then(take).catch(() => {}).finally(() => { reading = null; });
  return reading;
}

async function take(found) {
  own = found;
  page.dataset.listAt = new Date(own.at).toISOString();
  if (!running || running.at <= own.at) running = { at: own.at, figures: own.data.running };
  rebuild();
  if (!kept) return;
  const left = new Set((await scanLog.prune([...entries.values()].filter((entry) => entry.answer), own.at)).map(({ uuid }) => uuid));
  for (const [uuid, entry] of entries) if (entry.answer && !left.has(uuid)) entries.delete(uuid);
}

async function readOthers() {
  for (const [number] of own?.data.others ?? []) {
    if (Date.now() - (others.get(number)?.read ?? 0) < SELDOM) continue;
    const address = page.dataset.list.replace(/\/trailer\/\d+\//, `/trailer/${number}/`);
    try { others.set(number, await read(address)); } catch { /* without it its cartons are on no list here */ }
  }
  if (own) rebuild();
}

/* The lists as the server made them, and on top of them what this phone has counted since. */
function rebuild() {
  if (!own) return;
  const known = own.data.others.map(([number]) => others.get(number)?.data).filter(Boolean);
  lists = new Lists(own.data, known, { person: page.dataset.name, log: page.dataset.log });
  for (const entry of entries.values()) count(entry);
  showFigures();
}

function count(entry) {
  entry.adds = null;
  if (entry.state === "refused") return;
  if (entry.answer) {
    if (entry.undone) lists.unsettle(entry.answer, entry.server_at);
    if (undos.has(entry.uuid) && entry.answer.counts && entry.answer.trailer === own.data.trailer[0]) entry.adds = [0, -1, entry.answer.result === "found" ? 0 : 1, 0];
    if (!entry.undone) lists.settle(entry.answer, entry.server_at);
  } else if (!entry.undone) {
    const answer = lists.judge(entry.raw, { pallet: entry.pallet, bill: entry.bill, now: Date.parse(entry.at) });
    if (answer.refused) return;
    entry.adds = lists.apply(answer, Date.parse(entry.at));
    if (!entry.said) late(entry, answer);
  }
}

/* The list came after the scan: it is answered now. */
function late(entry, answer) {
  entry.said = { ...answer, effect: undefined, list_at: own.at };
  entry.label = answer.label;
  if (shown === entry) show(entry);
}

function showFigures() {
  if (!running) return;
  const sum = [...running.figures];
  for (const { adds } of entries.values()) adds?.forEach((more, place) => { sum[place] += more; });
  const [expected, counted, missing, over] = sum.map((figure) => Math.max(0, figure));
  document.querySelectorAll("[data-figures] dd").forEach((cell, place) => { cell.textContent = [counted, expected, missing, over][place]; });
}

function heard(figures, at) {
  if (!figures || (running && running.at > at)) return;
  running = { at, figures: [figures.expected, figures.counted, figures.missing, figures.over] };
}

let soon = 0;
let lastRead = 0;
function readSoon() {
  clearTimeout(soon);
  const pause = Date.now() - lastRead > OFTEN ? 0 : QUIET;
  soon = setTimeout(() => { lastRead = Date.now(); if (!isOffline()) readOwn().then(readOthers); }, pause);
}

// --- a scan ---

const valueOf = (record, name) => record.fields.find(([each]) => each === name)?.[1] ?? null;
const chosen = (name) => Number(form.elements[name]?.value) || null;

/* Counts one label, as if it had been scanned into the field. `how` -- scanner or typed */
async function scan(raw, how) {
  const now = Date.now();
  const entry = { uuid: newUuid(), url, person, raw, at: new Date(now).toISOString(), pallet: chosen("pallet"), bill: chosen("shipment"), state: "waiting", answer: null, undone: false };
  const said = lists?.judge(raw, { pallet: entry.pallet, bill: entry.bill, now }) ?? null;
  if (said?.refused && !said.closed) return refuse([said.refused], raw);
  if (said && !said.refused) {
    entry.said = { ...said, effect: undefined, list_at: own.at };
    entry.adds = lists.apply(said, now);
  }
  entry.label = said?.label ?? raw;
  entries.set(entry.uuid, entry);
  const fields = [["label", raw], ["how", how], ["device_at", entry.at], ["pallet", entry.pallet], ["shipment", entry.bill]];
  const record = {
    uuid: entry.uuid, kind: "scan", url, fields: fields.filter(([, value]) => value !== null).map(([name, value]) => [name, String(value)]), files: [],
    said: entry.said ?? null, made_at: entry.at, page: location.pathname, title: fill(text.textTitle, { label: grouped(entry.label) }),
  };
  try {
    await sender.put(record);
  } catch {
    entries.delete(entry.uuid);
    rebuild();
    return refuse([text.textNotKept], raw);
  }
  if (said?.refused) {
    refuse([said.refused, text.textKept], raw);
    remember(entry);
  }
  else answered(entries.get(entry.uuid));
  showFigures();
  showWaiting();
}

/* It is on the disk. Meanwhile the list may have come, or even the server's answer. */
function answered(entry) {
  if (!entry) return;
  if (entry.said && shown?.uuid !== entry.uuid) show(entry);
  else if (!entry.said && !entry.answer) pending(entry);
  remember(entry);
}

form?.addEventListener("submit", (event) => {
  event.preventDefault();
  const raw = field.value;
  if (!raw.trim()) return;
  const slow = firstKey && (performance.now() - firstKey) / raw.length > TYPED;
  const how = field.dataset.read === raw || !slow ? "scanner" : "typed";
  ready();
  scan(raw, how);
});

field?.addEventListener("scanned", (event) => {
  event.preventDefault();
  scan(event.detail.raw, "scanner");
});

// --- the answer ---

function icon(name) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  const use = document.createElementNS("http://www.w3.org/2000/svg", "use");
  svg.setAttribute("class", "icon");
  svg.setAttribute("aria-hidden", "true");
  use.setAttribute("href", `${page.dataset.icons}#${name}`);
  svg.append(use);
  return svg;
}

function make(name, className, ...inside) {
  const element = document.createElement(name);
  if (className) element.className = className;
  element.append(...inside.filter((each) => each !== null && each !== undefined));
  return element;
}

function line(className, ...inside) {
  return make("p", className, ...inside);
}

/* The answer as the server draws it in _scan_result.html. */
function draw(answer) {
  const face = make("div", `answer ${answer.look}`, line("word", icon(answer.icon), " ", answer.words));
  face.dataset.answer = answer.look;
  if (answer.store !== null) face.append(line("storenumber", make("span", "sr", text.textStore), ` ${answer.store}`));
  if (answer.store_name) face.append(line("", answer.store_name));
  if (answer.rerouted_from !== null) face.append(line("", make("strong", "", icon("rerouted"), " ", fill(text.textRerouted, { store: answer.rerouted_from }))));
  if (answer.pallet !== null) face.append(line("", icon("pallet"), ` L-${answer.pallet}`));
  if (answer.flags.length) face.append(line("flags", ...answer.flags.flatMap(([name, words]) => [make("strong", "", icon(name), " ", words), " "])));
  if (answer.detail) face.append(line("detail", answer.detail));
  face.append(line("id", grouped(answer.label)));
  if (answer.piece) face.append(line("", link(answer.piece.url, "pieces", fill(text.textPiece, { piece: answer.piece.name }))));
  else if (answer.log) face.append(line("", link(answer.log, "log", answer.log_words)));
  return face;
}

function link(href, name, words) {
  const made = make("a", "second", icon(name), " ", words);
  made.href = href;
  return made;
}

function show(entry, { quiet = false, change = "" } = {}) {
  const answer = entry.answer ?? entry.said;
  const face = draw(answer);
  if (change) face.querySelector(".word").after(line("detail change", change));
  shown = entry;
  box.replaceChildren(face);
  note();
  if (!quiet) tell(change ? "other" : answer.look);
}

/* Under an answer that only this phone has given while there is no network: which list it is from. */
function note() {
  box.querySelector(".listnote")?.remove();
  if (!shown || shown.answer || !shown.said || !isOffline()) return;
  const at = when(lists?.own ?? { zone: own.data.zone, words: own.data.words }, Math.floor(shown.said.list_at / 1000), Date.now());
  box.firstElementChild?.append(line("listnote", icon("offline"), " ", fill(text.textOffline, { when: at })));
}

function pending(entry) {
  const face = make("div", "answer again", line("word", icon("pause"), " ", text.textKept), line("id", grouped(entry.label)));
  face.dataset.answer = "again";
  shown = entry;
  box.replaceChildren(face);
}

function refuse(sentences, raw) {
  const face = make("div", "answer wrong", line("word", icon("stop"), " ", text.textRefused), ...sentences.map((words) => line("detail", words)), line("id", raw));
  face.dataset.answer = "wrong";
  shown = null;
  box.replaceChildren(face);
  tell("wrong");
}

// --- the last scans ---

function remember(entry) {
  const list = document.querySelector("[data-last]");
  const row = drawLine(entry);
  const old = document.getElementById(row.id);
  if (old) old.replaceWith(row);
  else list.prepend(row);
  while (list.children.length > LINES) list.lastElementChild.remove();
}

function drawLine(entry) {
  const answer = entry.answer ?? entry.said;
  const row = make("li", "", make("time", "", clock(entry.at)));
  row.id = `scan-${entry.uuid}`;
  const about = make("div", "", make("span", "id", grouped(answer?.label ?? entry.label)));
  if (answer?.store) about.append(" → ", make("strong", "", answer.store));
  about.append(make("br"), answer?.line ?? "");
  if (entry.undone) about.append(answer ? ", " : "", make("strong", "", text.textTakenBack));
  if (entry.state === "refused") about.append(answer ? ", " : "", make("strong", "", text.textRefused));
  else if (!entry.answer && !entry.undone) about.append(answer ? " · " : "", make("span", "tosend", icon("pause"), " ", text.textToSend));
  if (entry.otherwise) about.append(" · ", make("strong", "", icon("warn"), " ", text.textOtherwise));
  row.append(about);
  return row;
}

function clock(iso) {
  const second = Math.floor(Date.parse(iso) / 1000);
  if (own) return when({ zone: own.data.zone, words: own.data.words }, second, Date.parse(iso));
  return new Date(iso).toLocaleTimeString(document.documentElement.lang, { hour: "2-digit", minute: "2-digit" });
}

// --- what the server says later ---

const summary = (answer) => [answer.words, answer.store && `→ ${answer.store}`].filter(Boolean).join(" ");

function settled(record, data) {
  const known = entries.get(record.uuid);
  away = false;
  const entry = { ...known, ...scanLog.entryOf(record, data), said: record.said ?? known?.said ?? null, undone: known?.undone ?? false, state: "stored", adds: null };
  entries.set(record.uuid, entry);
  if (entry.undone) keepEntry(entry);
  heard(data.running, Date.parse(entry.answer.at));
  if (entry.otherwise || !entry.said) rebuild();
  const change = entry.otherwise ? fill(text.textChanged, { before: summary(entry.said) }) : "";
  if (shown?.uuid === entry.uuid) show(entry, { quiet: Boolean(entry.said) && !change, change });
  else if (change) {
    tell("other");
    document.dispatchEvent(new CustomEvent("say", { detail: { text: `${grouped(entry.label)}: ${change} ${summary(entry.answer)}`, kind: "stop" } }));
  }
  remember(entry);
  showOtherwise();
  showFigures();
  showWaiting();
  readSoon();
}

function turnedDown(record, errors) {
  const entry = entries.get(record.uuid);
  if (!entry) return;
  entry.state = "refused";
  rebuild();
  showWaiting();
  refuse(errors.map(({ message }) => message || text.textFailed), entry.raw);
  remember(entry);
}

function showOtherwise() {
  const section = document.querySelector("[data-otherwise]");
  const rows = [...entries.values()].filter((entry) => entry.otherwise && !entry.seen && !entry.undone).reverse();
  section.hidden = rows.length === 0;
  section.querySelector("ul").replaceChildren(...rows.map((entry) => {
    const seen = make("button", "second", icon("check"), " ", text.textSeen);
    seen.type = "button";
    seen.addEventListener("click", async () => {
      entry.seen = true;
      await scanLog.keep([stripped(entry)]);
      showOtherwise();
    });
    const now = make("strong", "", summary(entry.answer));
    return make("li", "", make("span", "id", grouped(entry.label)), " ", make("time", "", clock(entry.at)), make("br"),
      fill(text.textSaid, { before: summary(entry.said) }), make("br"), now, entry.answer.detail ? ` ${entry.answer.detail}` : "", seen);
  }));
}

const stripped = ({ state: _state, adds: _adds, ...entry }) => entry;

function showWaiting() {
  const count = undos.size + [...entries.values()].filter((entry) => entry.state === "waiting" && !entry.answer).length;
  waitingNotice.hidden = count === 0 || !(isOffline() || away || count > 2);
  waitingNotice.querySelector("[data-waiting-count]").textContent = count;
}

sender.on((event) => {
  const { type, record } = event;
  if (type === "held") {
    if (event.reason === "network") document.dispatchEvent(new CustomEvent("network:doubt"));
    away = true;
    waitingNotice.querySelector("[data-sign-in]").hidden = event.reason !== "signed_out";
    showWaiting();
  }
  if (!record || record.person && record.person !== person) return;
  if (record.url === url && type === "stored" && event.answer.scans) settled(record, event.answer);
  else if (record.url === url && type === "refused") turnedDown(record, event.errors);
  else if (record.kind === "undo" && record.page === location.pathname) undone(event);
});

// --- taking back ---

const COUNTING = new Set(["counted", "wrong_pallet", "other_trailer", "found", "blind", "placed"]);
const effective = (entry) => !entry.undone && entry.state !== "refused" && COUNTING.has((entry.answer ?? entry.said)?.result ?? "counted");

undoForm?.addEventListener("submit", async (event) => {
  event.preventDefault();
  ready();
  const entry = [...entries.values()].findLast(effective);
  if (entry && !entry.answer && (await sender.takeBack(entry.uuid))) {
    entries.delete(entry.uuid);
    tookBack({ ...entry, undone: true });
    return;
  }
  const named = entry ? [["named", entry.uuid]] : [];
  const record = {
    uuid: newUuid(), kind: "undo", url: new URL(undoForm.action).pathname, fields: [["what", "scan"], ...named], files: [], after: entry && !entry.answer ? entry.uuid : null,
    made_at: new Date().toISOString(), page: location.pathname, title: fill(text.textUndoTitle, { label: entry ? grouped(entry.label) : "" }).trim(),
  };
  const about = entry?.uuid ?? record.uuid;
  undos.set(about, record.uuid);
  try {
    await sender.put(record);
  } catch {
    undos.delete(about);
    return refuse([text.textNotKept], "");
  }
  if (!entry) return;
  entry.undone = true;
  await keepEntry(entry);
  tookBack(entry);
});

async function keepEntry(entry) {
  if (kept && entry.answer) await scanLog.keep([stripped(entry)]);
}

function tookBack(entry) {
  rebuild();
  const face = make("div", "answer again", line("word", icon("undo"), " ", text.textTakenBackNow), line("id", grouped(entry.label)));
  face.dataset.answer = "again";
  shown = null;
  box.replaceChildren(face);
  tell("again");
  remember(entry);
  showWaiting();
}

async function undone({ type, record, answer, errors }) {
  undos.delete(valueOf(record, "named") ?? record.uuid);
  showWaiting();
  const entry = entries.get(valueOf(record, "named"));
  if (type === "refused") {
    if (entry) {
      entry.undone = false;
      await keepEntry(entry);
      remember(entry);
    }
    rebuild();
    refuse(errors.map(({ message }) => message || text.textFailed), entry?.label ?? "");
    return;
  }
  heard(answer.running, Date.parse(answer.at));
  if (entry) rebuild();
  else tookBack({ uuid: answer.undone, label: answer.label, at: record.made_at, said: null, answer: null, undone: true });
  showFigures();
  readSoon();
}

// --- the pallet in hand, the focus ---

function usePallet(number) {
  for (const each of [form, undoForm]) {
    let input = each?.elements.pallet;
    if (!each || (!input && !number)) continue;
    if (!input) {
      input = make("input");
      [input.type, input.name] = ["hidden", "pallet"];
      each.append(input);
    }
    input.value = number ?? "";
  }
}

const pallets = document.querySelector("#id_pallet");
pallets?.addEventListener("change", (event) => {
  event.stopImmediatePropagation();
  usePallet(pallets.value);
  history.replaceState(null, "", pallets.value ? `?pallet=${pallets.value}` : location.pathname);
  field.focus();
});

function ready() {
  if (!field) return;
  field.value = "";
  firstKey = 0;
  field.focus({ preventScroll: true });
}

field?.addEventListener("keydown", (event) => { if (!field.value && event.key.length === 1) firstKey = performance.now(); });
document.querySelectorAll("[data-back-to-scan]").forEach((choice) => choice.addEventListener("change", () => field.focus()));
document.querySelectorAll("[data-go-button]").forEach((button) => { button.hidden = true; });
addEventListener("focus", () => { if (field && document.activeElement === document.body) field.focus({ preventScroll: true }); });
if (field && !document.querySelector(".errorsummary")) field.focus({ preventScroll: true });

// --- begin ---

async function begin() {
  const wanted = new URLSearchParams(location.search).get("pallet");
  if (pallets && wanted && pallets.value !== wanted && [...pallets.options].some(({ value }) => value === wanted)) {
    pallets.value = wanted;
    usePallet(wanted);
  }
  if (kept) {
    for (const entry of await scanLog.of(person, url)) if (!entries.has(entry.uuid)) entries.set(entry.uuid, { ...entry, state: "stored" });
    for (const record of await outbox.list()) {
      if (record.kind === "undo" && record.page === location.pathname && record.state !== "refused") undos.set(valueOf(record, "named") ?? record.uuid, record.uuid);
      if (record.kind !== "scan" || record.url !== url || entries.has(record.uuid)) continue;
      const number = (name) => Number(valueOf(record, name)) || null;
      entries.set(record.uuid, {
        uuid: record.uuid, url, person, raw: valueOf(record, "label"), label: record.said?.label ?? valueOf(record, "label"), at: record.made_at,
        pallet: number("pallet"), bill: number("shipment"), said: record.said, answer: null, undone: false, state: record.state === "refused" ? "refused" : "waiting",
      });
    }
  }
  const inOrder = [...entries].sort(([, one], [, other]) => (one.at < other.at ? -1 : 1));
  entries.clear();
  for (const [uuid, entry] of inOrder) entries.set(uuid, entry);
  const latest = [...entries.values()].filter((entry) => entry.running).at(-1);
  if (latest) heard(latest.running, Date.parse(latest.answer.at));
  await readOwn();
  [...entries.values()].slice(-LINES).forEach(remember);
  showOtherwise();
  showWaiting();
  readOthers();
}

document.addEventListener("network", () => { note(); showWaiting(); if (!isOffline()) readSoon(); });
document.addEventListener("visibilitychange", () => { if (!document.hidden) readSoon(); });
setInterval(() => { if (!document.hidden) readSoon(); }, 2 * OFTEN);
if (form) begin();
