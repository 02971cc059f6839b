// The shell of every page: registers the worker, has it keep what this person may need, says when there is no network and
// what then cannot be done, and lets nobody sign out of unsent records by accident.
import { moment } from "./moments.js";
import { isOffline, look } from "./network.js";
import { ask, register, takeOverWhenStill } from "./worker.js";

const root = document.documentElement;
const { person, site, kept, release } = root.dataset;
const notice = document.querySelector("[data-kept-notice]");
const mark = document.querySelector("[data-netmark] > span");
const OFTEN = 60000;
const SOON = 1500;
const STILL = 4000;
const PICTURE = /\/photo\/[0-9a-f-]{36}\//;
// Forms that another module takes and sends later; all others need the server at once.
const SENT_LATER = "[data-outbox], [data-queue], [data-send], [data-works-offline], :has([data-photo-input])";

// --- a page that was kept ---

// Its numbers were given out when it was kept, perhaps more than once: each showing gets numbers of its own.
function renew() {
  for (const input of document.querySelectorAll("input[name=uuid]")) input.value = crypto.randomUUID();
  const theme = /(?:^|; )theme=(light|dark)/.exec(document.cookie)?.[1];
  if (theme) root.dataset.theme = theme;
  for (const time of notice.querySelectorAll("[data-kept-time]")) {
    time.dateTime = kept;
    time.textContent = moment(kept);
  }
}

// Back on the network a kept page needs today's token, and may find that nobody is signed in any more.
async function freshen() {
  if (!site) return;
  const answer = await fetch(`/${site}/phone/`, { cache: "no-store", headers: { Accept: "application/json" } }).catch(() => null);
  if (!answer) return;
  if (answer.redirected || answer.status === 401) return say("out");
  if (!answer.ok) return;
  const { csrf } = await answer.json();
  for (const input of document.querySelectorAll("input[name=csrfmiddlewaretoken]")) input.value = csrf;
}

function say(state) {
  notice.hidden = !state;
  for (const words of notice.querySelectorAll("[data-kept-words]")) words.hidden = words.dataset.keptWords !== state;
  for (const need of notice.querySelectorAll("[data-kept-need]")) need.textContent = document.body.dataset.needsNetwork ?? "";
  notice.querySelector("[data-kept-reload]").hidden = state !== "back";
  notice.querySelector("[data-kept-login]").hidden = state !== "out";
}
notice?.querySelector("[data-kept-reload]").addEventListener("click", () => location.reload());

// --- without a network ---

function show() {
  const offline = isOffline();
  if (mark) mark.hidden = !offline;
  if (notice && kept) say(offline ? "offline" : "back");
  else if (notice) say(offline && document.body.dataset.needsNetwork ? "cut" : "");
  document.querySelectorAll(`form[method=post]:not(${SENT_LATER})`).forEach(offline ? cut : mend);
  cutLinks(offline);
}

// A way that leads to a page which is not kept is shut, with the reason for who tries it.
async function cutLinks(offline) {
  const addresses = offline ? new Set((await ask({ type: "addresses" })).addresses) : null;
  if (offline !== isOffline()) return;
  for (const link of document.querySelectorAll("main a[href], nav a[href]")) {
    const { origin, pathname, search, hash } = link;
    const stays = origin !== location.origin || hash || PICTURE.test(pathname);
    const shut = offline && !stays && !addresses.has(pathname + search) && !addresses.has(pathname);
    if (shut) link.setAttribute("aria-disabled", "true");
    else if (link.classList.contains("shut")) link.removeAttribute("aria-disabled");
    link.classList.toggle("shut", shut);
  }
}

function cut(form) {
  for (const button of form.elements) {
    if (button.type !== "submit" || button.disabled) continue;
    button.disabled = true;
    button.dataset.cut = "";
    if (button.hidden) continue;
    const why = document.createElement("small");
    why.className = "needsnet";
    why.textContent = form.closest("[data-needs-network]")?.dataset.needsNetwork || notice.dataset.why;
    button.after(why);
  }
}

function mend(form) {
  for (const button of form.elements) {
    if (!("cut" in button.dataset)) continue;
    button.disabled = false;
    delete button.dataset.cut;
    if (button.nextElementSibling?.matches(".needsnet")) button.nextElementSibling.remove();
  }
}

document.addEventListener("click", (event) => {
  if (!event.target.closest("a.shut")) return;
  event.preventDefault();
  document.dispatchEvent(new CustomEvent("say", { detail: { text: notice.dataset.why } }));
});

// --- keeping ---

let lastKept = 0;
let again = 5000;
let next;

// Asked again until the worker has said that all is kept: the page may be left before it asks, the network may go meanwhile,
// and a worker whose files could not all be fetched is gone and must be registered anew.
function keepSoon(wait) {
  if (!person || !site || isOffline() || !document.body.classList.contains("dock")) return;
  if (Math.abs(Date.now() - lastKept) < OFTEN) return;
  clearTimeout(next);
  next = setTimeout(async () => {
    if (await register()) await ask({ type: "keep", site });
    if (lastKept || !navigator.serviceWorker) return;
    next = setTimeout(keepSoon, again, 0);
    again = Math.min(2 * again, OFTEN);
  }, wait);
}

function keptAt(iso) {
  const line = document.querySelector("[data-kept-at]");
  if (!iso) return;
  lastKept = Date.parse(iso);
  if (!line) return;
  line.hidden = false;
  const time = line.querySelector("time");
  time.dateTime = iso;
  time.textContent = moment(iso);
}

navigator.serviceWorker?.addEventListener("message", ({ data }) => {
  if (data?.type === "kept" && data.site === site) keptAt(data.at);
  if (data?.type === "newer" && kept && !isOffline()) say("back");
});

// --- signing out ---

const dialog = document.querySelector("[data-sign-out-ask]");
const outbox = () => import("./outbox.js");
let leaving = false;

const unsent = async () => (await outbox().then((box) => box.counts()).catch(() => null)) ?? { records: 0, photos: 0 };
const some = ({ records, photos }) => records + photos > 0;

function counted({ records, photos }) {
  const words = dialog.querySelector("[data-sign-out-counts]");
  const said = (n, one, many) => (n === 1 ? one : many.replace("{n}", n.toLocaleString(root.lang)));
  const parts = [];
  if (records) parts.push(said(records, words.dataset.oneRecord, words.dataset.records));
  if (photos) parts.push(said(photos, words.dataset.onePhoto, words.dataset.photos));
  words.textContent = parts.join(", ");
}

async function signOut(form, { lose = false } = {}) {
  const left = await unsent();
  if (some(left) && !lose) {
    counted(left);
    if (!dialog.open) dialog.showModal();
    return;
  }
  leaving = true;
  await outbox().then((box) => box.wipe()).catch(() => {});
  try { sessionStorage.clear(); } catch { /* nothing was kept there */ }
  await ask({ type: "forget" });
  form.requestSubmit();
}

function watchSignOut(form) {
  const told = dialog.querySelector("[data-sign-out-told]");
  const lose = dialog.querySelector("[data-sign-out-lose]");
  const sure = dialog.querySelector("[data-sign-out-sure]");
  const list = dialog.querySelector("[data-sign-out-list]");
  form.addEventListener("submit", (event) => {
    if (leaving) return;
    event.preventDefault();
    signOut(form);
  });
  sure.addEventListener("change", () => { lose.disabled = !sure.checked; });
  lose.addEventListener("click", () => signOut(form, { lose: true }));
  dialog.querySelector("[data-sign-out-stay]").addEventListener("click", () => dialog.close());
  dialog.querySelector("[data-sign-out-send]").addEventListener("click", async () => {
    told.textContent = told.dataset.sending;
    await outbox().then((box) => box.flush({ eager: true })).catch(() => {});
    const left = await unsent();
    if (!some(left)) return signOut(form);
    counted(left);
    told.textContent = told.dataset.failed;
  });
  if (site) { list.href = `/${site}/outbox/`; list.hidden = false; }
}

// --- begin ---

async function begin() {
  if (kept) renew();
  show();
  document.addEventListener("network", () => {
    show();
    keepSoon(0);
    if (kept && !isOffline()) freshen();
  });
  const form = document.querySelector("form[data-sign-out]");
  if (form && dialog) watchSignOut(form);
  if (kept) look();
  if (!(await register())) return keepSoon(SOON);
  const known = await ask({ type: "hello", release });
  keptAt(known.kept[site]);
  keepSoon(SOON);
  await takeOverWhenStill(STILL);
}

begin();
