/* Photos are kept on the phone as soon as they are taken and sent one by one: progress for each, the others go on. Where
   nothing can be kept they are sent from the page, with retry for each.
   Improves <input type="file" data-photo-input> inside a form that posts to the upload address; without this
   module the form is sent as it is. What it finds in the form: [data-photo-list], a <template data-photo-row>,
   [data-photo-send] (hidden, no longer needed), [data-photo-status] (a live region), and its words in data-text-*.
   Tells the page with bubbling events: "photo:stored" (detail: the photo) and "photo:refused" (detail: the error). */
import * as outbox from "./js/outbox.js";
import { sentence, words } from "./js/outbox_words.js";
import { captioned } from "./js/photo_caption.js";

const HOLD = 6000; // how long a photo waits for its caption; a tap on one lets it go at once
const HELD = 1000;

/* Post one photo. Resolves to the stored photo; rejects with {code, message, field, again}: `again` says that the
   network or the server failed and the same photo can be sent once more under the same number. */
export function sendPhoto({ url, file, uuid, fields, onProgress }) {
  return new Promise((resolve, reject) => {
    const body = new FormData();
    for (const [name, value] of Object.entries(fields)) body.append(name, value);
    body.append("uuid", uuid);
    if (file.lastModified) body.append("taken", new Date(file.lastModified).toISOString());
    body.append("photo", file, file.name);
    const request = new XMLHttpRequest();
    request.open("POST", url);
    request.setRequestHeader("Accept", "application/json");
    request.timeout = 180000;
    request.responseType = "json";
    request.upload.addEventListener("progress", (event) => {
      if (event.lengthComputable && onProgress) onProgress(event.loaded / event.total);
    });
    const failed = () => reject({ code: "network", message: "", field: "photo", again: true });
    request.addEventListener("error", failed);
    request.addEventListener("timeout", failed);
    request.addEventListener("abort", failed);
    request.addEventListener("load", () => {
      if (request.status < 300 && request.response?.photo) return resolve(request.response.photo);
      const error = request.response?.errors?.[0];
      if (error) return reject({ ...error, again: request.status >= 500 });
      return reject({ code: `http_${request.status}`, message: "", field: "photo", again: true });
    });
    request.send(body);
  });
}

class PhotoInput {
  constructor(input) {
    this.input = input;
    this.form = input.form;
    this.list = this.form.querySelector("[data-photo-list]");
    this.row = this.form.querySelector("template[data-photo-row]");
    this.status = this.form.querySelector("[data-photo-status]");
    this.text = this.form.dataset;
    this.waiting = [];
    this.busy = false;
    this.unsent = 0;
    for (const button of this.form.querySelectorAll("[data-photo-send]")) button.hidden = true;
    input.required = false;
    input.addEventListener("change", () => this.take());
    window.addEventListener("beforeunload", (event) => this.unsent && event.preventDefault());
    this.kept = new Map();
    if (outbox.usable() && outbox.me()) this.listen();
  }

  listen() {
    outbox.on((event) => {
      if (event.type === "held") for (const other of this.kept.values()) this.wait(other);
      const photo = this.kept.get(event.uuid);
      if (!photo) return;
      if (event.type === "progress") this.progress(photo, event.part);
      if (event.type === "stored") this.settled(photo, () => this.stored(photo, event.answer.photo ?? {}));
      if (event.type === "refused") this.settled(photo, () => this.refused(photo, { ...event.errors[0], message: event.errors.map(sentence).join(" ") }));
      if (event.type === "discarded") this.settled(photo, () => photo.element.remove());
    });
    this.restore().catch(() => { /* nothing is kept here */ });
  }

  /* Photos taken here before that still wait on the phone. */
  async restore() {
    const { pathname } = new URL(this.form.action);
    const mine = (record) => record.files.length && record.url === pathname && this.same(record);
    for (const record of (await outbox.list()).filter(mine)) {
      const blob = await outbox.blob(record, 0);
      const photo = this.line(new File([blob], record.files[0].name, { type: record.files[0].type }), record.uuid);
      photo.later = true;
      this.kept.set(record.uuid, photo);
      if (record.state === "refused") this.settled(photo, () => this.refused(photo, { message: record.why.map(sentence).join(" ") }));
      else this.wait(photo);
    }
  }

  same(record) {
    const given = Object.fromEntries(record.fields);
    return Object.entries(this.fields()).every(([name, value]) => name === "csrfmiddlewaretoken" || given[name] === value);
  }

  wait(photo) {
    this.show(photo, "waiting", this.text.textKept ?? this.text.textWaiting);
  }

  settled(photo, tell) {
    this.kept.delete(photo.uuid);
    photo.element.querySelector("details")?.remove();
    tell();
  }

  take() {
    for (const file of this.input.files) this.add(file);
    this.input.value = "";
  }

  add(file) {
    const photo = this.line(file, outbox.newUuid());
    this.keep(photo).catch((error) => this.unkept(photo, error));
  }

  line(file, uuid) {
    const element = this.row.content.firstElementChild.cloneNode(true);
    const photo = { file, uuid, fields: this.fields(), element, later: false };
    element.querySelector("[data-photo-name]").textContent = file.name;
    element.querySelector("[data-photo-retry]").addEventListener("click", () => this.again(photo));
    element.querySelector("[data-photo-drop]").addEventListener("click", () => this.drop(photo));
    this.preview(photo);
    this.list.append(element);
    return photo;
  }

  async keep(photo) {
    if (!outbox.usable() || !outbox.me()) return this.unkept(photo);
    const captions = captioned("", (caption) => this.caption(photo, caption));
    photo.element.append(...captions);
    this.show(photo, "waiting", this.text.textWaiting);
    const file = await outbox.taken(photo.file, "photo");
    const { csrfmiddlewaretoken, ...given } = photo.fields;
    this.kept.set(photo.uuid, photo);
    photo.later = true;
    await outbox.put({
      uuid: photo.uuid, kind: "photo", title: this.text.title ?? "", url: this.form.action, page: location.pathname, files: [file],
      fields: Object.entries({ ...given, taken: file.modified }), next_try: captions.length ? Date.now() + HOLD : 0,
    });
  }

  async caption(photo, caption) {
    await outbox.amend(photo.uuid, (fields) => [...fields.filter(([name]) => name !== "caption"), ["caption", caption]], { next_try: Date.now() + HELD });
  }

  /* Nothing can be kept: sent from the page, which must stay open. A photo that cannot be read is named. */
  unkept(photo, error) {
    this.kept.delete(photo.uuid);
    photo.element.querySelector("details")?.remove();
    photo.later = false;
    if (error?.name === "NotReadableError") return this.refused(photo, { message: words.unreadable.replace("{name}", photo.file.name) });
    this.unsent += 1;
    this.enqueue(photo);
  }

  fields() {
    const fields = {};
    for (const [name, value] of new FormData(this.form)) {
      if (typeof value === "string" && name !== "uuid" && name !== "next") fields[name] = value;
    }
    return fields;
  }

  preview(photo) {
    const picture = photo.element.querySelector("[data-photo-picture]");
    const address = URL.createObjectURL(photo.file);
    picture.addEventListener("load", () => URL.revokeObjectURL(address), { once: true });
    picture.addEventListener("error", () => (picture.hidden = true), { once: true });
    picture.src = address;
  }

  again(photo) {
    this.unsent += 1;
    this.enqueue(photo);
  }

  drop(photo) {
    photo.element.remove();
    this.input.focus();
    if (photo.later) outbox.discard(photo.uuid, this.text.textDropped ?? "");
  }

  enqueue(photo) {
    this.show(photo, "waiting", this.text.textWaiting);
    this.waiting.push(photo);
    this.run();
  }

  async run() {
    if (this.busy) return;
    this.busy = true;
    while (this.waiting.length) await this.send(this.waiting.shift());
    this.busy = false;
  }

  async send(photo) {
    this.progress(photo, 0);
    try {
      const { file, uuid, fields } = photo;
      const onProgress = (part) => this.progress(photo, part);
      const stored = await sendPhoto({ url: this.form.action, file, uuid, fields, onProgress });
      this.stored(photo, stored);
    } catch (error) {
      this.refused(photo, error);
    }
    this.unsent -= 1;
  }

  progress(photo, part) {
    const percent = Math.round(part * 100);
    photo.element.querySelector("[data-photo-progress]").value = percent;
    this.show(photo, "sending", this.text.textSending.replace("{percent}", percent));
  }

  stored(photo, stored) {
    const picture = photo.element.querySelector("[data-photo-picture]");
    picture.hidden = false;
    if (stored.thumbnail) picture.src = stored.thumbnail;
    photo.file = null;
    this.show(photo, "stored", this.text.textStored);
    this.announce(photo);
    photo.element.dispatchEvent(new CustomEvent("photo:stored", { bubbles: true, detail: stored }));
  }

  refused(photo, error) {
    const sentence = error.message || this.text.textFailed.replace("{name}", photo.file.name);
    this.show(photo, error.again ? "failed" : "refused", sentence);
    this.announce(photo);
    photo.element.dispatchEvent(new CustomEvent("photo:refused", { bubbles: true, detail: error }));
  }

  announce(photo) {
    const state = photo.element.querySelector("[data-photo-state]").textContent;
    if (this.status) this.status.textContent = state;
  }

  show(photo, state, sentence) {
    photo.element.dataset.photoIs = state;
    photo.element.querySelector("[data-photo-state]").textContent = sentence;
    photo.element.querySelector("[data-photo-progress]").hidden = state !== "sending" && state !== "waiting";
    photo.element.querySelector("[data-photo-retry]").hidden = state !== "failed";
    photo.element.querySelector("[data-photo-drop]").hidden = state !== "failed" && state !== "refused";
  }
}

for (const input of document.querySelectorAll("[data-photo-input]")) new PhotoInput(input);
