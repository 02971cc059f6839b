// The list of what this phone keeps: what waits, what was refused and why, what is begun; the ways to send, mend, discard and save.
import * as outbox from "./outbox.js";
import * as drafts from "./outbox_drafts.js";
import { moment } from "./moments.js";
import { counted, icon, notice, number, sentence, words } from "./outbox_words.js";

const page = document.querySelector("[data-outbox-list]");
const text = page.dataset;
const part = (name) => page.querySelector(`[data-outbox-${name}]`);
const send = document.querySelector("[data-outbox-send]");
const save = part("save");
const said = part("said");
const DAY = 24 * 3600 * 1000;
const MEGABYTE = 1e6;
const LITTLE = 200 * MEGABYTE;
const FULL = 0.8;
const sending = new Map(); // UUID -> how much of it is sent

const make = (tag, { text: words = "", ...facts } = {}, ...inside) => {
  const element = Object.assign(document.createElement(tag), facts);
  if (words) element.append(words);
  element.append(...inside);
  return element;
};
const button = (words, act, look = "second") => {
  const element = make("button", { type: "button", className: look, text: words });
  element.addEventListener("click", act);
  return element;
};

// --- rows ---

/* What is shown as one row: a record with the photos that wait for it, or all scans of a trailer that simply wait. */
function rowsOf(records) {
  const numbers = new Set(records.map((record) => record.uuid));
  const rows = new Map();
  for (const record of records) {
    const scan = record.kind === "scan" && record.state !== "refused";
    const key = scan ? `scans ${record.site} ${record.trailer}` : numbers.has(record.after) && record.state !== "refused" ? record.after : record.uuid;
    const row = rows.get(key) ?? { key, records: [], photos: [] };
    row[!scan && key !== record.uuid ? "photos" : "records"].push(record);
    rows.set(key, row);
  }
  return [...rows.values()].filter((row) => row.records.length);
}

function titleOf({ records: [first, ...more] }) {
  if (first.kind === "scan" && first.state !== "refused") return more.length ? text.scans.replace("{n}", number(more.length + 1)) : text.scan;
  const label = first.kind === "scan" ? first.fields.find(([name]) => name === "label")?.[1] : "";
  return [first.title || (first.kind === "scan" ? text.scan : text.untitled), label].filter(Boolean).join(" ");
}

function factsOf({ records }) {
  const [first] = records;
  const [made, lastMade] = [first, records.at(-1)].map((record) => moment(record.made_at));
  const facts = [first.trailer ? text.trailer.replace("{n}", first.trailer) : text.noTrailer, text.made.replace("{time}", made)];
  if (lastMade !== made) facts.push(lastMade);
  if (first.tries > 1) facts.push(text.tried.replace("{n}", number(first.tries)));
  else if (first.tries) facts.push(text.triedOnce);
  if (first.files.length) facts.push(first.files.map((file) => file.name).join(", "));
  return facts.join(" · ");
}

function stateOf({ records: [first] }, unsent) {
  if (first.state === "refused") return ["stop", "stop", text.refused];
  if (first.state === "sending") return ["next", "half", sending.has(first.uuid) ? text.sendingPart.replace("{n}", Math.round(100 * sending.get(first.uuid))) : text.sending];
  if (first.after && unsent.has(first.after)) return ["wait", "pause", text.after];
  return ["wait", "pause", text.waiting];
}

class Row {
  constructor(key) {
    this.key = key;
    this.title = make("b");
    this.facts = make("span", { className: "dim" });
    this.badge = make("span", { className: "badge" });
    this.why = make("ul", { className: "errorlist" });
    this.pictures = make("ul", { className: "photos thumbs" });
    this.ways = make("div", { className: "buttons" });
    this.line = make("li", {}, make("span", { className: "rowmain" }, make("span", {}, this.title, make("br"), this.facts)), this.badge, this.why, this.pictures, this.ways);
    this.shown = new Set();
  }

  show(row, unsent) {
    const [first] = row.records;
    this.row = row;
    this.title.textContent = titleOf(row);
    this.facts.textContent = factsOf(row);
    const [look, drawing, state] = stateOf(row, unsent);
    if (this.badge.textContent !== ` ${state}`) {
      this.badge.className = `badge ${look}`;
      this.badge.replaceChildren(icon(drawing), ` ${state}`);
    }
    this.why.replaceChildren(...(first.state === "refused" ? first.why.map((error) => make("li", { text: sentence(error) })) : []));
    this.showPictures([...row.records.filter((record) => record.files.length), ...row.photos]);
    if (this.state !== first.state) this.offer(first);
    this.state = first.state;
  }

  showPictures(records) {
    const wanted = new Set(records.map((record) => record.uuid));
    for (const line of [...this.pictures.children]) if (!wanted.has(line.dataset.of)) line.remove();
    for (const record of records) {
      if (this.shown.has(record.uuid)) continue;
      this.shown.add(record.uuid);
      const caption = record.fields.find(([name]) => name === "caption")?.[1];
      const picture = make("img", { alt: caption || record.files[0].name, width: 96, height: 96 });
      const line = make("li", {}, picture);
      line.dataset.of = record.uuid;
      if (caption) line.append(make("span", { text: caption }));
      this.pictures.append(line);
      whenSeen(picture, () => paint(picture, record));
    }
  }

  offer(first) {
    this.ways.replaceChildren();
    if (first.state !== "refused") return;
    const form = first.kind === "step" ? first.url : first.page;
    if (form && !first.files.length && first.kind !== "scan" && first.kind !== "tally") this.ways.append(make("a", { className: "second", href: `${form}#mend=${first.uuid}`, text: text.mend }));
    this.ways.append(button(text.retry, () => outbox.retry(first.uuid)), button(text.discard, () => this.ask(first)));
  }

  ask(first) {
    const why = make("input", { maxLength: 300, autocomplete: "off", required: true });
    const missing = make("p", { className: "errorlist" });
    const form = make("form", { className: "form discard", noValidate: true },
      make("label", { text: text.discardWhy }, why), missing,
      ...(this.row.photos.length ? [make("p", { className: "help", text: text.discardPhotos.replace("{n}", number(this.row.photos.length)) })] : []),
      make("div", { className: "buttons" }, make("button", { className: "second stop", text: text.discardSure }), button(text.stay, () => this.offer(first))));
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      if (why.value.trim()) return outbox.discard(first.uuid, why.value.trim());
      missing.textContent = text.whyMissing;
      why.setAttribute("aria-invalid", "true");
      why.focus();
    });
    this.ways.replaceChildren(form);
    why.focus();
  }
}

const watcher = new IntersectionObserver((seen) => {
  for (const { target, isIntersecting } of seen) {
    if (!isIntersecting) continue;
    watcher.unobserve(target);
    target.paint();
  }
}, { rootMargin: "200px" });

function whenSeen(picture, paint) {
  picture.paint = paint;
  watcher.observe(picture);
}

async function paint(picture, record) {
  const blob = await outbox.blob(record, 0).catch(() => null);
  if (!blob) return;
  const address = URL.createObjectURL(blob);
  picture.addEventListener("load", () => URL.revokeObjectURL(address), { once: true });
  picture.addEventListener("error", () => picture.replaceWith(record.files[0].name), { once: true });
  picture.src = address;
}

// --- the page ---

const rows = new Map();

async function refresh() {
  const records = await outbox.list();
  const told = await outbox.counts();
  const unsent = new Set(records.map((record) => record.uuid));
  const wanted = rowsOf(records);
  const list = part("waiting").querySelector("ul");
  const keys = new Set(wanted.map((row) => row.key));
  for (const [key, row] of rows) if (!keys.has(key)) { row.line.remove(); rows.delete(key); }
  wanted.forEach((each, place) => {
    const row = rows.get(each.key) ?? new Row(each.key);
    rows.set(each.key, row);
    if (list.children[place] !== row.line) list.insertBefore(row.line, list.children[place] ?? null);
    row.show(each, unsent);
  });
  part("waiting").hidden = !wanted.length;
  send.hidden = !records.length;
  save.hidden = !records.length;
  await Promise.all([warn(told, records), showBegun(), showArrived()]);
}

async function warn(told, records) {
  const room = await outbox.room();
  const left = room.quota === null ? null : room.quota - room.usage;
  const little = left !== null && (left < LITTLE || room.usage / room.quota > FULL);
  const warnings = [];
  if (told.oldest && Date.now() - new Date(told.oldest) > DAY) warnings.push({ level: "warning", text: text.long });
  if (little) warnings.push({ level: "warning", text: text.littleRoom.replace("{n}", number(Math.round(left / MEGABYTE))) });
  if (records.length && !room.persisted) warnings.push({ level: "warning", text: text.notPromised });
  if (told.others) warnings.push({ level: "info", text: told.others === 1 ? text.oneOther : text.others.replace("{n}", number(told.others)) });
  warnings.unshift(records.length ? { level: "info", text: text.waits } : { level: "success", text: text.safe });
  const box = part("warnings");
  const now = JSON.stringify(warnings);
  if (box.dataset.now !== now) box.replaceChildren(...warnings.map(notice));
  box.dataset.now = now;
  await showFacts(records, room);
}

async function showFacts(records, room) {
  const size = records.flatMap((record) => record.files).reduce((sum, file) => sum + file.size, 0);
  const facts = size ? [text.uses.replace("{n}", Math.max(size / MEGABYTE, 0.1).toLocaleString(document.documentElement.lang, { maximumFractionDigits: 1 }))] : [];
  if (room.persisted) facts.push(text.promised);
  const phone = await outbox.phoneNumber();
  if (phone) facts.push(text.phone.replace("{n}", phone));
  part("facts").textContent = facts.join(" · ");
}

async function showBegun() {
  const begun = (await drafts.begun()).filter((draft) => draft.person === outbox.me());
  const list = part("begun").querySelector("ul");
  list.replaceChildren(...begun.map((draft) => {
    const facts = [moment(draft.at), draft.photos ? `${text.photo}: ${number(draft.photos)}` : ""].filter(Boolean).join(" · ");
    return make("li", {}, make("span", { className: "rowmain" }, make("span", {}, make("b", { text: draft.title || text.untitled }), make("br"), make("span", { className: "dim", text: facts }))),
      make("div", { className: "buttons" }, make("a", { className: "second", href: draft.page, text: text.goOn }), button(text.throw, () => drafts.throwAway(draft).then(refresh))));
  }));
  part("begun").hidden = !begun.length;
}

async function showArrived() {
  const arrived = (await outbox.arrived()).slice(0, 10);
  part("arrived").querySelector("ul").replaceChildren(...arrived.map((row) => {
    const facts = [row.trailer ? text.trailer.replace("{n}", row.trailer) : "", moment(row.at), row.handed ? text.handed : ""].filter(Boolean).join(" · ");
    return make("li", {}, icon("check"), make("span", { className: "rowmain" }, make("span", {}, make("b", { text: row.title || text.untitled }), make("br"), make("span", { className: "dim", text: facts }))));
  }));
  part("arrived").hidden = !arrived.length;
}

send.addEventListener("click", async () => {
  send.disabled = true;
  said.textContent = text.sendingNow;
  let held = "";
  const end = outbox.on((event) => { if (event.type === "held") held = event.reason; });
  await outbox.flush({ eager: true });
  end();
  const { waiting, refused } = await outbox.counts();
  said.textContent = { network: text.notSent, signed_out: words.signedOut, other_person: words.other }[held]
    ?? (waiting ? counted(waiting, "one", "some") : refused ? counted(refused, "oneRefused", "refused") : text.sent);
  send.disabled = false;
});

save.addEventListener("click", async () => {
  const { saveOutbox } = await import("./outbox_file.js");
  const names = await saveOutbox();
  said.textContent = names.map((name) => text.saved.replace("{name}", name)).join(" ");
});

async function begin() {
  if (!outbox.usable()) return part("warnings").replaceChildren(notice({ level: "warning", text: text.unusable }));
  let again = false;
  let busy = false;
  const renew = async () => {
    again = true;
    if (busy) return;
    busy = true;
    while (again) { again = false; await refresh().catch(() => {}); }
    busy = false;
  };
  outbox.on((event) => {
    if (event.type === "progress") sending.set(event.uuid, event.part);
    if (event.type === "changed" || event.type === "progress") renew();
  });
  await renew();
}

begin();
