/* Scanning by camera, beside any scan field: the browser's own reader where it has one for our symbols, otherwise the
   WebAssembly reader in a worker, fetched when the camera is first switched on. Pictures are read and forgotten. */
import { checkDigit, isSscc, readTag } from "./label.js";
import { tell } from "./signal.js";

const PAUSE = 2000; // a label that stays in the picture is not read again; nor one that comes back so soon
const BETWEEN = 120; // milliseconds from one picture to the next
const WIDEST = 1280;
const FORMATS = ["code_128", "qr_code", "itf", "ean_13", "ean_8", "upc_a"];
const VIDEO = { facingMode: { ideal: "environment" }, width: { ideal: 1920 }, height: { ideal: 1080 } };
const REASONS = {
  NotAllowedError: "textDenied", SecurityError: "textDenied", NotFoundError: "textNone", OverconstrainedError: "textNone", NotReadableError: "textBusy",
};

// --- readers ---

async function ownReader() {
  if (!("BarcodeDetector" in globalThis)) return null;
  const known = await BarcodeDetector.getSupportedFormats().catch(() => []);
  const needed = ["code_128", "qr_code", "itf", "ean_13"];
  if (!needed.every((format) => known.includes(format))) return null;
  const detector = new BarcodeDetector({ formats: FORMATS.filter((format) => known.includes(format)) });
  return { read: async (video) => (await detector.detect(video)).filter(whole).map(asGs1), end() {} };
}

/* Any part of an ITF symbol is one too: only the 14 digits with their check digit are believed. */
function whole({ format, rawValue }) {
  return format !== "itf" || (/^[0-9]{14}$/.test(rawValue) && checkDigit(rawValue.slice(0, 13)) === rawValue[13]);
}

/* The browser's own reader does not say that a symbol is GS1's; only a carton number in front of more gives it away. */
function asGs1({ format, rawValue }) {
  const text = rawValue.replace(/^\x1d/, "");
  const isGs1 = format === "code_128" && (text !== rawValue || text.includes("\x1d") || (text.length > 20 && text.startsWith("00") && isSscc(text.slice(2, 20))));
  return isGs1 ? `]C1${text}` : rawValue;
}

async function workerReader({ worker, wasm }) {
  const reader = new Worker(worker, { type: "module" });
  const answers = [];
  const ask = (message, transfer = []) => new Promise((resolve, reject) => {
    answers.push({ resolve, reject });
    reader.postMessage(message, transfer);
  });
  reader.addEventListener("message", ({ data }) => {
    const { resolve, reject } = answers.shift();
    if (data.failed) reject(new Error(data.failed));
    else resolve(data);
  });
  reader.addEventListener("error", (event) => answers.splice(0).forEach(({ reject }) => reject(new Error(event.message))));
  await ask({ wasm });
  return {
    read: async (video) => {
      const picture = await snapshot(video);
      const { reads } = await ask({ picture }, [picture instanceof ImageData ? picture.data.buffer : picture]);
      return reads;
    },
    end: () => reader.terminate(),
  };
}

let canvas = null;
async function snapshot(video) {
  const scale = Math.min(1, WIDEST / video.videoWidth);
  const [width, height] = [Math.round(video.videoWidth * scale), Math.round(video.videoHeight * scale)];
  if (globalThis.OffscreenCanvas) return createImageBitmap(video, { resizeWidth: width, resizeHeight: height });
  canvas ??= document.createElement("canvas");
  [canvas.width, canvas.height] = [width, height];
  const surface = canvas.getContext("2d", { willReadFrequently: true });
  surface.drawImage(video, 0, 0, width, height);
  return surface.getImageData(0, 0, width, height);
}

// --- one camera beside one field ---

class Camera {
  constructor(place) {
    this.place = place;
    this.text = place.dataset;
    this.field = document.getElementById(place.dataset.camera);
    this.part = (name) => place.querySelector(`[data-camera-${name}]`);
    this.video = place.querySelector("video");
    this.seen = new Map();
    this.part("on").hidden = false;
    this.part("on").addEventListener("click", () => this.start());
    this.part("off").addEventListener("click", () => this.stop());
    this.part("torch").addEventListener("click", () => this.torch());
    document.addEventListener("visibilitychange", () => { if (document.hidden) this.stop(); });
    addEventListener("pagehide", () => this.stop());
  }

  say(words) {
    this.part("says").textContent = words;
    this.part("says").hidden = !words;
  }

  async start() {
    this.say("");
    if (!navigator.mediaDevices?.getUserMedia) return this.say(this.text.textInsecure);
    this.part("on").disabled = true;
    this.wanted = true;
    this.say(this.text.textStarting);
    try {
      const stream = await navigator.mediaDevices.getUserMedia({ video: VIDEO, audio: false });
      if (!this.wanted) return stream.getTracks().forEach((track) => track.stop());
      this.stream = stream;
      [this.track] = stream.getVideoTracks();
      this.track.addEventListener("ended", () => this.stop());
      this.part("box").hidden = false;
      this.part("on").hidden = true;
      this.video.srcObject = stream;
      await this.video.play();
      this.reader ??= (await ownReader()) ?? (await workerReader(this.text));
      this.part("torch").hidden = !this.track.getCapabilities?.().torch;
      this.say("");
      this.watch();
    } catch (error) {
      this.stop();
      this.say(this.because(error));
    }
  }

  because({ name }) {
    return this.text[REASONS[name]] ?? this.text.textFailed;
  }

  stop() {
    this.wanted = false;
    clearTimeout(this.timer);
    this.stream?.getTracks().forEach((track) => track.stop());
    this.stream = null;
    this.video.srcObject = null;
    this.lit = false;
    this.part("box").hidden = true;
    this.part("on").hidden = false;
    this.part("on").disabled = false;
    this.seen.clear();
    this.say("");
  }

  async torch() {
    this.lit = !this.lit;
    await this.track.applyConstraints({ advanced: [{ torch: this.lit }] }).catch(() => { this.lit = false; });
    this.part("torch").setAttribute("aria-pressed", this.lit);
  }

  async watch() {
    if (!this.wanted) return;
    const began = performance.now();
    try {
      if (this.video.readyState >= 2) for (const raw of await this.reader.read(this.video)) this.found(raw);
    } catch {
      this.reader.end();
      this.reader = null;
      this.stop();
      return this.say(this.text.textFailed);
    }
    this.timer = setTimeout(() => this.watch(), Math.max(0, BETWEEN - (performance.now() - began)));
  }

  found(raw) {
    if (!this.wanted) return;
    const last = this.seen.get(raw) ?? -Infinity;
    this.seen.set(raw, performance.now());
    if (performance.now() - last < PAUSE) return;
    const tag = readTag(raw);
    if (tag) {
      tell("right");
      this.stop();
      location.assign(`/${tag.site}/piece/${tag.number}/`);
      return;
    }
    // Who answers a scan by itself, as Count does, takes the event; elsewhere the label lands in the field.
    if (!this.field.dispatchEvent(new CustomEvent("scanned", { bubbles: true, cancelable: true, detail: { raw } }))) return;
    tell("right");
    this.stop();
    this.field.value = raw;
    for (const name of ["input", "change"]) this.field.dispatchEvent(new Event(name, { bubbles: true }));
    this.field.dispatchEvent(new KeyboardEvent("keydown", { key: "Enter", bubbles: true, cancelable: true }));
  }
}

document.querySelectorAll("[data-camera]").forEach((place) => new Camera(place));
