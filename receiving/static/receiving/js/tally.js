/* Tally: each tap moves its figure at once, is kept on the phone and sent; the server's figure replaces the phone's. */
import { isOffline } from "./network.js";
import { newUuid, usable } from "./outbox_store.js";
import * as outbox from "./outbox.js";
import { fill } from "./load_list.js";
import * as straight from "./straight.js";
import { tell } from "./signal.js";

const page = document.querySelector("[data-tally]");
const text = page.dataset;
const person = Number(document.documentElement.dataset.person);
const box = document.querySelector("[data-answer-box]");
const waitingNotice = document.querySelector("[data-waiting]");
const undoForm = document.querySelector("[data-undo-form]");
const kept = usable() && person > 0;
const sender = kept ? outbox : straight;
const taps = new Map(); // this person's taps of this page in order: {uuid, row, count, state: waiting | stored | refused}
const undos = new Map(); // what takes back and waits: the number of the tap it means
let away = false;

const rowOf = (url, store) => [...document.querySelectorAll(".tallyrow")].find(({ dataset }) => dataset.tap === url && dataset.store === store);
const valueOf = (record, name) => record.fields.find(([each]) => each === name)?.[1] ?? "";

function show(row) {
  const waiting = [...taps.values()].filter((tap) => tap.row === row && tap.state === "waiting");
  const undoing = [...undos.values()].map((uuid) => taps.get(uuid)).filter((tap) => tap?.row === row);
  const sum = (found) => found.reduce((total, { count }) => total + count, 0);
  row.querySelector("[data-figure]").textContent = Number(row.dataset.counted) + sum(waiting) - sum(undoing);
}

function showWaiting() {
  const count = undos.size + [...taps.values()].filter(({ state }) => state === "waiting").length;
  waitingNotice.hidden = count === 0 || !(isOffline() || away || count > 5);
  waitingNotice.querySelector("[data-waiting-count]").textContent = count;
}

function refuse(sentences) {
  const face = document.createElement("div");
  face.className = "answer wrong";
  for (const words of sentences) face.append(Object.assign(document.createElement("p"), { className: "detail", textContent: words }));
  box.replaceChildren(face);
  tell("wrong");
}

async function keep(record, change, back) {
  change();
  try {
    await sender.put({ files: [], made_at: new Date().toISOString(), page: location.pathname, ...record });
    box.replaceChildren();
    tell("right");
  } catch {
    back();
    refuse([text.textNotKept]);
  }
  showWaiting();
}

document.addEventListener("submit", (event) => {
  const row = event.target.closest(".tallyrow");
  if (!row) return;
  event.preventDefault();
  const tap = { uuid: newUuid(), row, count: Number(event.submitter.value), state: "waiting" };
  const fields = [["store", row.dataset.store], ["count", String(tap.count)]].filter(([, value]) => value);
  const title = fill(text.textTitle, { count: tap.count, store: row.querySelector("b").textContent });
  keep({ uuid: tap.uuid, kind: "tally", url: row.dataset.tap, fields, title }, () => { taps.set(tap.uuid, tap); show(row); }, () => { taps.delete(tap.uuid); show(row); });
});

undoForm?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const gone = new Set(undos.values());
  const tap = [...taps.values()].findLast(({ uuid, state }) => state !== "refused" && !gone.has(uuid));
  if (tap?.state === "waiting" && (await sender.takeBack(tap.uuid))) {
    taps.delete(tap.uuid);
    show(tap.row);
    showWaiting();
    return say(text.textTakenBack);
  }
  const uuid = newUuid();
  const record = {
    uuid, kind: "undo", url: new URL(undoForm.action).pathname, fields: [["to", "tally"], ["what", "tap"], ...(tap ? [["named", tap.uuid]] : [])],
    after: tap?.state === "waiting" ? tap.uuid : null, title: text.textUndoTitle,
  };
  await keep(record, () => { undos.set(uuid, tap?.uuid ?? ""); if (tap) show(tap.row); }, () => { undos.delete(uuid); if (tap) show(tap.row); });
  if (undos.has(uuid) && tap) say(text.textTakenBack);
});

function say(words) {
  document.dispatchEvent(new CustomEvent("say", { detail: { text: words } }));
}

sender.on(({ type, reason, record, answer, errors }) => {
  if (type === "held") {
    if (reason === "network") document.dispatchEvent(new CustomEvent("network:doubt"));
    away = true;
    waitingNotice.querySelector("[data-sign-in]").hidden = reason !== "signed_out";
    showWaiting();
  }
  if (!record || record.page !== location.pathname || (record.person && record.person !== person)) return;
  if (type === "stored") away = false;
  if (type === "stored" || type === "refused") (record.kind === "undo" ? undone : tapped)(record, type, answer, errors);
  showWaiting();
});

function tapped(record, type, answer, errors) {
  const row = rowOf(record.url, valueOf(record, "store"));
  const tap = taps.get(record.uuid) ?? { uuid: record.uuid, row, count: Number(valueOf(record, "count")) };
  taps.set(tap.uuid, Object.assign(tap, { state: type }));
  if (type === "stored" && row && answer.counted !== undefined) row.dataset.counted = answer.counted;
  if (row) show(row);
  if (type === "refused") refuse(errors.map(({ message }) => message || text.textFailed));
}

function undone(record, type, answer, errors) {
  const tap = taps.get(undos.get(record.uuid));
  undos.delete(record.uuid);
  if (type === "refused") {
    refuse(errors.map(({ message }) => message || text.textFailed));
  } else if (tap) {
    taps.delete(tap.uuid);
    if (tap.row && answer.counted !== undefined) tap.row.dataset.counted = answer.counted;
  } else {
    location.reload(); // a tap of another day or phone: the server knows which row it was
  }
  if (tap?.row) show(tap.row);
}

async function begin() {
  for (const record of kept ? await outbox.list() : []) {
    if (record.page !== location.pathname) continue;
    const state = record.state === "refused" ? "refused" : "waiting";
    if (record.kind === "tally") taps.set(record.uuid, { uuid: record.uuid, row: rowOf(record.url, valueOf(record, "store")), count: Number(valueOf(record, "count")), state });
    if (record.kind === "undo" && state === "waiting") undos.set(record.uuid, valueOf(record, "named"));
  }
  new Set([...taps.values()].map(({ row }) => row)).forEach((row) => row && show(row));
  showWaiting();
}

document.addEventListener("network", showWaiting);
begin();
