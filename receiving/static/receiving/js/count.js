// Counting: what is scanned or tapped stands in a queue and goes to the server in order, each with its own number, so
// that a fast scanner never waits and a lost answer counts nothing twice. Ear and hand know right from wrong.

const KEY = `queue ${location.pathname}`;
const PATIENCE = 15000;
const RETRY = 3000;
const TYPED = 60; // milliseconds a character: no scanner is so slow, no finger so fast
const TONES = { right: [[880, 0.09]], again: [[440, 0.12], [440, 0.12]], other: [[660, 0.1], [880, 0.1]], wrong: [[200, 0.35]] };
const BUZZES = { right: [40], again: [60, 60, 60], other: [40, 40, 120], wrong: [350] };

const field = document.querySelector("input.scan[data-scan]");
const box = document.querySelector("[data-answer-box]");
const waiting = document.querySelector("[data-waiting]");
let queue = remembered();
let sending = false;
let leaving = false;
let audio;
let firstKey = 0;

// --- the queue ---

function remembered() {
  try { return JSON.parse(sessionStorage.getItem(KEY)) ?? []; } catch { return []; }
}

function keep() {
  try { sessionStorage.setItem(KEY, JSON.stringify(queue)); } catch { /* private window: the page itself remembers */ }
}

function newUuid() {
  if (crypto.randomUUID) return crypto.randomUUID(); // only where the connection is secure
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 15) | 64;
  bytes[8] = (bytes[8] & 63) | 128;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
}

document.addEventListener("submit", (event) => {
  const form = event.target.closest("[data-queue]");
  if (!form) return;
  event.preventDefault();
  if (form.contains(field)) prepare(form);
  if (form.contains(field) && !field.value.trim()) return;
  const values = [...new FormData(form, event.submitter)].filter(([name]) => !["csrfmiddlewaretoken", "uuid"].includes(name));
  queue.push({ url: form.getAttribute("action"), failed: form.dataset.textFailed, values: [...values, ["uuid", newUuid()]] });
  keep();
  if (field) ready();
  send();
});

function prepare(form) {
  const slow = firstKey && (performance.now() - firstKey) / field.value.length > TYPED;
  form.elements.how.value = slow ? "typed" : "scanner";
  form.elements.device_at.value = new Date().toISOString();
}

async function send() {
  if (sending) return;
  sending = true;
  while (queue.length) {
    let response;
    try { response = await post(queue[0]); } catch { response = null; }
    if (!response || response.status >= 500) break;
    if (response.redirected) { leaving = true; location.reload(); return; } // signed out: the queue waits for us
    const page = new DOMParser().parseFromString(await response.text(), "text/html");
    show(page, queue.shift());
    keep();
  }
  sending = false;
  const late = queue.length > 0;
  if (waiting) {
    waiting.hidden = !late;
    waiting.querySelector("[data-waiting-count]").textContent = queue.length;
  }
  if (late) setTimeout(send, RETRY);
}

function post(item) {
  const body = new URLSearchParams(item.values);
  body.set("csrfmiddlewaretoken", document.querySelector("input[name=csrfmiddlewaretoken]").value);
  return fetch(item.url, { method: "POST", body, headers: { "X-Part": "1" }, signal: AbortSignal.timeout(PATIENCE) });
}

addEventListener("online", send);
addEventListener("beforeunload", (event) => { if (queue.length && !leaving) event.preventDefault(); });

// --- the answer ---

function show(page, item) {
  const row = page.querySelector(".tallyrow");
  const answer = page.querySelector(".answer");
  if (row) {
    document.getElementById(row.id).replaceWith(row);
    box.replaceChildren();
    return tell("right");
  }
  if (!answer) {
    box.replaceChildren(refusal(item));
    return tell("wrong");
  }
  if (!answer.querySelector(".id")) answer.append(labelOf(item));
  box.replaceChildren(answer);
  const figures = page.querySelector("[data-figures]");
  if (figures) document.querySelector("[data-figures]")?.replaceWith(figures);
  page.querySelectorAll("[data-last] > li").forEach(remember);
  tell(answer.dataset.answer);
}

function remember(line) {
  const list = document.querySelector("[data-last]");
  const old = document.getElementById(line.id);
  if (old) old.replaceWith(line);
  else list.prepend(line);
  while (list.children.length > 5) list.lastElementChild.remove();
}

function refusal(item) {
  const answer = document.createElement("div");
  answer.className = "answer wrong";
  const words = document.createElement("p");
  words.className = "detail";
  words.textContent = item.failed;
  answer.append(words, labelOf(item));
  return answer;
}

function labelOf(item) {
  const label = document.createElement("p");
  label.className = "id";
  label.textContent = item.values.find(([name]) => name === "label")?.[1] ?? "";
  return label;
}

function off(key) {
  try { return localStorage.getItem(key) === "off"; } catch { return false; }
}

function tell(look) {
  if (!off("sound")) sound(look);
  if (!off("buzz")) navigator.vibrate?.(BUZZES[look] ?? []);
}

function sound(look) {
  try { audio ??= new AudioContext(); } catch { return; }
  if (audio.state === "suspended") audio.resume();
  let start = audio.currentTime;
  for (const [pitch, length] of TONES[look] ?? []) {
    const tone = audio.createOscillator();
    const level = audio.createGain();
    tone.type = look === "wrong" ? "square" : "sine";
    tone.frequency.value = pitch;
    level.gain.setValueAtTime(0.25, start);
    level.gain.exponentialRampToValueAtTime(0.001, start + length);
    tone.connect(level).connect(audio.destination);
    tone.start(start);
    tone.stop(start + length);
    start += length + 0.05;
  }
}

// --- the focus ---

function ready() {
  field.value = "";
  firstKey = 0;
  field.focus({ preventScroll: true });
}

field?.addEventListener("keydown", (event) => { if (!field.value && event.key.length === 1) firstKey = performance.now(); });
document.querySelectorAll("[data-back-to-scan]").forEach((choice) => choice.addEventListener("change", () => field.focus()));
document.querySelectorAll("[data-go]").forEach((choice) => choice.addEventListener("change", () => choice.form.requestSubmit()));
document.querySelectorAll("[data-go-button]").forEach((button) => { button.hidden = true; });
addEventListener("focus", () => { if (field && document.activeElement === document.body) field.focus({ preventScroll: true }); });
if (field && !document.querySelector(".errorsummary")) field.focus({ preventScroll: true });
send();
