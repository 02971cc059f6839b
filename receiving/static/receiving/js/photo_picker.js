// Photos that go with a form: collected one by one, on the phone as soon as they are taken, sent by themselves afterwards.
import * as outbox from "./outbox.js";
import { keep as keepDraft, withPhotos } from "./outbox_drafts.js";
import { words } from "./outbox_words.js";
import { captioned } from "./photo_caption.js";

class Picker {
  constructor(box) {
    this.form = box.closest("form");
    this.input = box.querySelector("[data-photos]");
    this.previews = box.querySelector("[data-previews]");
    this.rows = [];
    box.hidden = false;
    this.input.classList.add("behind");
    this.input.addEventListener("change", () => this.add([...this.input.files].filter((file) => !this.rows.some((row) => row.file === file))));
    this.form.addEventListener("outbox:kept", () => this.empty());
    withPhotos(this.form, this);
    addEventListener("pageshow", (event) => { if (event.persisted) this.fill(); });
  }

  async add(files) {
    const taken = this.form.querySelector("[data-taken]");
    if (taken) taken.value = new Date().toISOString();
    const rows = files.map((file) => ({ file, uuid: outbox.newUuid(), caption: "", kept: null }));
    this.rows.push(...rows);
    this.fill();
    for (const row of rows) {
      this.show(row);
      row.kept = this.keep(row);
      await row.kept;
    }
    await keepDraft(this.form).catch(() => {});
  }

  /* A phone's camera hands over one photo at a time and forgets the one before: the field holds them all, for a form that
     is sent without being kept. */
  fill() {
    const box = new DataTransfer();
    for (const row of this.rows) box.items.add(row.file);
    this.input.files = box.files;
  }

  /* Stores a row's photo as a draft; resolves to whether it stands on the phone. */
  async keep(row) {
    if (!outbox.usable()) return false;
    try {
      const file = await outbox.taken(row.file, "photo");
      await outbox.put({
        uuid: row.uuid, state: "draft", after: this.form.elements.uuid.value, kind: "photo", title: this.form.dataset.photoTitle,
        url: this.form.dataset.photosUrl, fields: [["purpose", this.purpose()], ["taken", file.modified]], files: [file],
      });
      return true;
    } catch (error) {
      if (error.name === "NotReadableError") this.unreadable(row);
      return false;
    }
  }

  unreadable(row) {
    this.remove(row);
    const text = words.unreadable.replace("{name}", row.file.name);
    document.dispatchEvent(new CustomEvent("say", { detail: { text, kind: "stop" } }));
  }

  purpose() {
    const { purpose, purposeInPlace } = this.form.dataset;
    return this.form.elements.in_place?.checked ? purposeInPlace : purpose;
  }

  show(row) {
    const line = document.createElement("li");
    const picture = document.createElement("img");
    picture.alt = row.file.name;
    picture.src = URL.createObjectURL(row.file);
    picture.addEventListener("load", () => URL.revokeObjectURL(picture.src), { once: true });
    picture.addEventListener("error", () => picture.replaceWith(row.file.name), { once: true });
    const drop = document.createElement("button");
    drop.type = "button";
    drop.className = "second";
    drop.textContent = this.form.dataset.textDrop;
    drop.addEventListener("click", () => this.remove(row));
    row.line = line;
    line.append(picture, ...captioned(row.caption, (caption) => this.caption(row, caption)), drop);
    this.previews.append(line);
  }

  async caption(row, caption) {
    row.caption = caption;
    await row.kept;
    await outbox.amend(row.uuid, (fields) => [...fields.filter(([name]) => name !== "caption"), ["caption", caption]]);
  }

  async remove(row) {
    this.rows = this.rows.filter((other) => other !== row);
    row.line.remove();
    this.fill();
    this.input.focus();
    await row.kept;
    await outbox.takeBack(row.uuid).catch(() => {});
    await keepDraft(this.form).catch(() => {});
  }

  empty() {
    this.rows = [];
    this.previews.replaceChildren();
    this.fill();
  }

  // --- for the form ---

  count() { return this.rows.length; }

  async restore(uuid) {
    const records = (await outbox.draftsAfter(uuid)).filter((record) => !this.rows.some((row) => row.uuid === record.uuid));
    for (const record of records) {
      const blob = await outbox.blob(record, 0);
      const file = new File([blob], record.files[0].name, { type: record.files[0].type });
      const caption = record.fields.find(([name]) => name === "caption")?.[1] ?? "";
      const row = { file, uuid: record.uuid, caption, kept: Promise.resolve(true) };
      this.rows.push(row);
      this.show(row);
    }
    this.fill();
  }

  async drop() {
    for (const row of this.rows) await outbox.takeBack(row.uuid).catch(() => {});
    this.empty();
  }

  /* The last words to each photo before its form goes: what it shows, and which piece or seal it is of. */
  async ready(record) {
    const kept = await Promise.all(this.rows.map((row) => row.kept));
    if (kept.includes(false)) throw new Error("A photo is not kept on this phone.");
    const { photosOf, photosOfNumber } = this.form.dataset;
    const subject = [photosOf, photosOfNumber ?? record.uuid];
    const more = photosOfNumber ? { after: null, state: "waiting" } : { after: record.uuid };
    for (const row of this.rows) {
      const changed = (fields) => [...fields.filter(([name]) => !["purpose", photosOf].includes(name)), ["purpose", this.purpose()], subject];
      await outbox.amend(row.uuid, changed, more);
    }
    return this.rows.map((row) => row.uuid);
  }
}

for (const box of document.querySelectorAll("[data-picker]")) new Picker(box);
