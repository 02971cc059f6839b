// Forms of the dock go into the outbox first. Answered soon, they lead on as ever; refused, everything typed is still here;
// without an answer the page says so and leads on all the same. Where nothing can be kept they are posted as before.
import * as outbox from "./outbox.js";
import * as drafts from "./outbox_drafts.js";
import { counted, sayNext, sentence, show, words } from "./outbox_words.js";

const PATIENCE = 4000;
const PHOTOS = 2000;
const LEFT_OUT = new Set(["csrfmiddlewaretoken", "uuid"]);
// Where to go on when a button was pressed and nothing answers: to the page that is opened next anyway.
const THEN = { unload: "count", resume: "count" };
const MENDS = /^#mend=([0-9a-f-]{36})$/;

class Sending {
  constructor(form) {
    this.form = form;
    this.uuid = outbox.newUuid();
    this.refused = false;
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      if (!this.busy) this.send(event.submitter);
    });
    this.begin();
  }

  set uuid(uuid) { this.form.elements.uuid.value = uuid; }

  get uuid() { return this.form.elements.uuid.value; }

  async begin() {
    const mending = MENDS.exec(location.hash)?.[1];
    try {
      const record = mending && (await outbox.find(mending));
      if (record && new URL(record.url, location.href).pathname) return this.mend(record);
      await drafts.watch(this.form, { restored: (draft) => this.begun(draft) });
    } catch { /* nothing can be kept here: the form is sent as it is */ }
  }

  begun(draft) {
    this.uuid = draft.uuid;
    const box = show({ level: "info", text: words.begun.replace("{time}", drafts.time(draft)) });
    const button = document.createElement("button");
    button.type = "button";
    button.className = "second";
    button.textContent = words.empty;
    button.addEventListener("click", async () => {
      await drafts.forget(this.form, { photos: true });
      location.reload();
    });
    box.lastElementChild.append(button);
  }

  mend(record) {
    this.uuid = record.uuid;
    this.refused = true;
    drafts.fill(this.form, record.fields);
    this.told(record.why);
  }

  // --- sending ---

  address(button) {
    return button?.getAttribute("formaction") || this.form.getAttribute("action") || location.pathname;
  }

  fields(button) {
    const all = [...new FormData(this.form, button)];
    return all.filter(([name, value]) => typeof value === "string" && !LEFT_OUT.has(name));
  }

  async send(button) {
    this.busy = true;
    this.rest(true);
    drafts.close(this.form, true);
    const record = this.record(button);
    let result;
    try {
      const photos = await drafts.readyPhotos(this.form, record);
      result = await outbox.send([record], { patience: PATIENCE, release: true, mended: this.refused, draft: drafts.keyOf(this.form) });
      this.photos = photos;
    } catch (error) {
      result = await this.direct(button, error);
    }
    if (result.is === "refused") return this.refuse(result.errors);
    await drafts.forget(this.form).catch(() => {});
    return result.is === "stored" ? this.stored(result) : this.kept(result);
  }

  record(button) {
    const { outbox: kind } = this.form.dataset;
    const page = location.pathname + location.search;
    return { uuid: this.uuid, url: this.address(button), kind: button?.dataset.kind ?? kind, title: this.title(button), fields: this.fields(button), page };
  }

  /* What the list of the outbox calls it: the form's words, then what its telling fields say. */
  title(button) {
    const { title, titleFields = "" } = this.form.dataset;
    const said = titleFields.split(" ").map((name) => name && this.saying(this.form.elements[name]));
    return [button?.dataset.title ?? title, ...said].filter(Boolean).join(" · ");
  }

  saying(field) {
    if (field instanceof RadioNodeList) {
      const chosen = [...field].find((each) => each.checked && each.value);
      return chosen?.closest("label").textContent.trim();
    }
    return field?.value.trim();
  }

  rest(is) {
    const own = [...this.form.elements, ...document.querySelectorAll(`button[form="${this.form.id || "-"}"]`)];
    for (const each of own) if (each.type === "submit") each.disabled = is;
    const progress = this.form.querySelector("[data-send-progress]");
    if (!progress) return;
    progress.hidden = !is;
    if (is) progress.removeAttribute("value");
  }

  // --- what became of it ---

  async stored({ answer, direct }) {
    const said = answer.said ?? [];
    if (this.photos?.length) said.push(...(await this.photosStored()));
    for (const { message } of answer.refused ?? []) if (!direct) said.push({ level: "error", text: message });
    sayNext(said);
    location.assign(answer.next ?? this.form.dataset.next ?? location.pathname);
  }

  async photosStored() {
    const { stored, refused, waiting } = await outbox.settled(this.photos, PHOTOS);
    const said = [];
    if (stored) said.push({ level: "success", text: counted(stored, "photoStored", "photosStored") });
    if (waiting) said.push({ level: "info", text: counted(waiting, "photoWaits", "photosWait"), waits: true });
    for (const errors of refused) said.push({ level: "error", text: errors.map(sentence).join(" ") });
    return said;
  }

  kept({ reason }) {
    const text = { signed_out: words.keptOut, other_person: words.other, slow: words.keptSlow }[reason] ?? words.kept;
    const said = { level: "info", text, waits: true };
    const next = this.form.dataset.next ?? this.then();
    if (reason === "slow" || navigator.serviceWorker?.controller) {
      sayNext([said]);
      location.assign(next);
      return;
    }
    // Nobody could show another page now: this one begins anew.
    this.form.reset();
    this.uuid = outbox.newUuid();
    this.refused = false;
    this.busy = false;
    drafts.close(this.form, false);
    this.rest(false);
    this.form.querySelectorAll(".errorsummary").forEach((old) => old.remove());
    this.form.dispatchEvent(new CustomEvent("outbox:kept", { bubbles: true }));
    show(said).scrollIntoView({ block: "nearest" });
  }

  then() {
    const [, trailer, step] = /^(.*\/)([a-z]+)\/$/.exec(this.address()) ?? [];
    return THEN[step] ? `${trailer}${THEN[step]}/` : location.pathname;
  }

  refuse(errors) {
    this.busy = false;
    drafts.close(this.form, false);
    this.refused = !errors.direct;
    this.rest(false);
    this.told(errors);
  }

  told(errors) {
    document.querySelectorAll("main .errorsummary").forEach((old) => old.remove());
    this.form.querySelectorAll("[aria-invalid]").forEach((field) => field.removeAttribute("aria-invalid"));
    errors.forEach((error) => this.fieldOf(error)?.setAttribute("aria-invalid", "true"));
    const box = document.createElement("div");
    box.className = "errorsummary";
    box.setAttribute("role", "alert");
    box.tabIndex = -1;
    const head = document.createElement("h2");
    head.textContent = words.notSaved;
    const list = document.createElement("ul");
    list.append(...errors.map((error) => this.line(error)));
    box.append(head, list);
    if (this.form.classList.contains("form")) this.form.prepend(box);
    else document.querySelector("main .pagehead").after(box);
    box.focus();
  }

  line(error) {
    const row = document.createElement("li");
    const field = this.fieldOf(error);
    if (!field && !error.url) {
      row.textContent = sentence(error);
      return row;
    }
    const link = document.createElement("a");
    link.textContent = sentence(error);
    link.href = error.url ?? `#${field.id}`;
    link.addEventListener("click", () => field?.closest("details")?.setAttribute("open", ""));
    row.append(link);
    return row;
  }

  fieldOf(error) {
    return error.field ? this.form.querySelector(`#id_${CSS.escape(error.field)}`) : null;
  }

  // --- where nothing can be kept ---

  async direct(button, error) {
    const failed = (message) => ({ is: "refused", errors: Object.assign([{ message }], { direct: true }) });
    if (error?.name === "NotReadableError") return failed(words.unreadable.replace("{name}", error.message));
    const body = new FormData(this.form, button);
    const headers = { Accept: "application/json", "X-Page": "1" };
    try {
      const response = await fetch(this.address(button), { method: "POST", body, headers, signal: AbortSignal.timeout(120000) });
      const answer = await response.json().catch(() => null);
      if (response.status === 201) return { is: "stored", answer: answer ?? {}, direct: true };
      if (answer?.errors) return { is: "refused", errors: Object.assign(answer.errors, { direct: true }) };
      return failed(words.failed);
    } catch {
      return failed(words.offline);
    }
  }
}

if (words.kept) for (const form of document.querySelectorAll("form[data-outbox]")) new Sending(form);
