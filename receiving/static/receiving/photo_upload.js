/* Sends photos one by one as soon as they are taken: progress and retry for each, the others go on.
   Improves <input type="file" data-photo-input> inside a form that posts to the upload address; without this
   module the form is sent as it is. What it finds in the form: [data-photo-list], a <template data-photo-row>,
   [data-photo-send] (hidden, no longer needed), [data-photo-status] (a live region), and its words in data-text-*.
   Tells the page with bubbling events: "photo:stored" (detail: the photo) and "photo:refused" (detail: the error). */

export function newUuid() {
  if (crypto.randomUUID) return crypto.randomUUID();
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
}

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
  }

  take() {
    for (const file of this.input.files) this.add(file);
    this.input.value = "";
  }

  add(file) {
    const element = this.row.content.firstElementChild.cloneNode(true);
    const photo = { file, uuid: newUuid(), fields: this.fields(), element };
    element.querySelector("[data-photo-name]").textContent = file.name;
    element.querySelector("[data-photo-retry]").addEventListener("click", () => this.again(photo));
    element.querySelector("[data-photo-drop]").addEventListener("click", () => this.drop(photo));
    this.preview(photo);
    this.list.append(element);
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
    picture.src = stored.thumbnail;
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
