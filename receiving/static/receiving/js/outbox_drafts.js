/* A form that is begun stands on the phone too, with its photos: a browser closed by mistake, or thrown out of memory by the
   camera, costs nothing. Photos are stored as they are taken, as drafts that wait for their form. */
import * as outbox from "./outbox.js";
import * as store from "./outbox_store.js";
import { clock } from "./moments.js";

const PAUSE = 300;
const KEPT = "input:not([type=hidden]):not([type=file]), select, textarea";
const photosOf = new WeakMap();
const closed = new WeakSet(); // forms on their way: a late keystroke must not bring them back

export const keyOf = (form) => `${outbox.me()} ${location.pathname} ${form.id}`;
const named = (form) => [...form.querySelectorAll(KEPT)].filter((field) => field.name);
export const time = (draft) => clock(draft.at);

function values(form) {
  return named(form).flatMap((field) => {
    if (field.matches("[type=checkbox], [type=radio]")) return field.checked ? [[field.name, field.value]] : [];
    return [[field.name, field.value]];
  });
}

/* Puts [name, value] pairs into the form's visible fields; what is not named is emptied or unticked. */
export function fill(form, fields) {
  const given = new Map();
  for (const [name, value] of fields) given.set(name, [...(given.get(name) ?? []), value]);
  for (const field of named(form)) {
    const wanted = given.get(field.name) ?? [];
    if (field.matches("[type=checkbox], [type=radio]")) field.checked = wanted.includes(field.value);
    else field.value = wanted[0] ?? "";
    if (field.checked || wanted[0]) field.closest("details")?.setAttribute("open", "");
  }
  form.dispatchEvent(new Event("change", { bubbles: true }));
}

/* Keeps what is typed into a form marked data-draft, and puts it back if there is something from before. */
export async function watch(form, { restored }) {
  if (!("draft" in form.dataset) || !store.usable()) return;
  const untouched = JSON.stringify(values(form));
  const found = await store.draft(keyOf(form));
  if (found && (await store.get(found.uuid))) await store.dropDraft(found.key);
  else if (found && !form.querySelector("[aria-invalid]")) {
    if (JSON.stringify(values(form)) === untouched) {
      fill(form, found.fields);
      restored(found);
      await photosOf.get(form)?.restore(found.uuid);
    }
  }
  let timer = 0;
  const keep = () => {
    clearTimeout(timer);
    timer = setTimeout(() => keepNow(form, untouched).catch(() => {}), PAUSE);
  };
  form.addEventListener("input", keep);
  form.addEventListener("change", keep);
}

async function keepNow(form, untouched = "") {
  if (closed.has(form)) return;
  const fields = values(form);
  const photos = photosOf.get(form)?.count() ?? 0;
  if (!photos && JSON.stringify(fields) === untouched) return store.dropDraft(keyOf(form));
  const { title = "" } = form.dataset;
  const page = location.pathname + location.search;
  return store.keepDraft({ key: keyOf(form), person: outbox.me(), site: document.documentElement.dataset.site, page, title, photos, uuid: form.elements.uuid.value, fields, at: new Date().toISOString() });
}

export async function forget(form, { photos = false } = {}) {
  await store.dropDraft(keyOf(form));
  if (photos) await photosOf.get(form)?.drop();
}

/* Says which photos go with a form: an object with count(), restore(uuid), drop() and ready(record) -> their UUIDs. */
export function withPhotos(form, photos) {
  photosOf.set(form, photos);
}

/* The form is on its way (or, refused, open again). */
export function close(form, is) {
  if (is) closed.add(form); else closed.delete(form);
}

export async function readyPhotos(form, record) {
  return (await photosOf.get(form)?.ready(record)) ?? [];
}

export { keepNow as keep };

/* Every form begun on this phone. */
export const begun = () => store.drafts();

/* Takes a begun form and its photos off the phone. */
export async function throwAway(draft) {
  for (const photo of await outbox.draftsAfter(draft.uuid)) await outbox.takeBack(photo.uuid);
  await store.dropDraft(draft.key);
}
