// The count page: the field always has the focus, each scan has its own UUID, and ear and hand know right from wrong.

const form = document.querySelector("[data-scan-form]");
const field = form.querySelector("input[name=label]");
const uuid = form.querySelector("input[name=uuid]");
const TONES = { right: [[880, 0.09]], again: [[440, 0.12], [440, 0.12]], other: [[660, 0.1], [880, 0.1]], wrong: [[200, 0.35]] };
const BUZZES = { right: [40], again: [60, 60, 60], other: [40, 40, 120], wrong: [350] };
let audio;

function newUuid() {
  if (crypto.randomUUID) return crypto.randomUUID();
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 15) | 64;
  bytes[8] = (bytes[8] & 63) | 128;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
}

function sound(look) {
  if (localStorage.getItem("sound") === "off") return;
  audio ||= new AudioContext();
  let start = audio.currentTime;
  for (const [pitch, length] of TONES[look] || []) {
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

function tell(look) {
  sound(look);
  if (localStorage.getItem("buzz") !== "off") navigator.vibrate?.(BUZZES[look] || []);
}

function ready() {
  uuid.value = newUuid();
  field.value = "";
  field.focus();
}

form.addEventListener("htmx:beforeRequest", () => { field.readOnly = true; });
form.addEventListener("htmx:afterRequest", (event) => {
  field.readOnly = false;
  form.querySelectorAll("button").forEach((button) => { button.disabled = false; });
  if (event.detail.xhr.status) ready(); // no answer at all: the same label and UUID can be sent again
  else { tell("wrong"); field.select(); }
});
document.body.addEventListener("htmx:afterSwap", () => {
  const answer = document.querySelector("#scan-answer [data-answer]");
  if (answer) tell(answer.dataset.answer);
});
field.focus();
