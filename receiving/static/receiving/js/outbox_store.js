/* Where records stand until the server has them: the browser's database `dock`.
   records: one thing each that goes to one address; blobs: the bytes of their files, apart, so that a list costs little;
   drafts: forms that are not sent yet; meta: the number of this phone and small facts.
   A promise from here resolves when the transaction is on the disk, not before. */
import { openDB } from "../../vendor/idb/index.js";

const STRICT = { durability: "strict" };
let opening = null;

export const usable = () => Boolean(globalThis.indexedDB && globalThis.crypto?.subtle);

function database() {
  if (opening) return opening;
  opening = openDB("dock", 2, {
    upgrade(db, before, _now, tx) {
      const records = before ? tx.objectStore("records") : db.createObjectStore("records", { keyPath: "uuid" });
      // So that hundreds of scans that wait need not be read to count them, nor to find what is no scan.
      records.createIndex("standing", ["person", "state", "made_at"]);
      records.createIndex("kind", "kind");
      if (before) return;
      for (const name of ["blobs", "meta"]) db.createObjectStore(name);
      db.createObjectStore("drafts", { keyPath: "key" });
    },
    // A page of a later release wants to change the tables: this one lets go and opens again when it needs to.
    blocking(_now, _next, event) { event.target.close(); opening = null; },
    terminated() { opening = null; },
  });
  opening.catch(() => { opening = null; });
  return opening;
}

export function newUuid() {
  if (crypto.randomUUID) return crypto.randomUUID(); // only where the connection is secure
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 15) | 64;
  bytes[8] = (bytes[8] & 63) | 128;
  return hex(bytes).replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
}

const hex = (bytes) => [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");

export async function sha256(bytes) {
  return hex(new Uint8Array(await crypto.subtle.digest("SHA-256", bytes)));
}

/* Reads and hashes a File before anything else is done with it. Rejects where the file cannot be read. */
export async function taken(file, field) {
  const bytes = await file.arrayBuffer();
  const modified = file.lastModified ? new Date(file.lastModified).toISOString() : "";
  return { name: file.name, field, type: file.type, size: bytes.byteLength, modified, sha256: await sha256(bytes), bytes };
}

// --- records ---

/* Stores records in this order, all or none; files bring `bytes`. In the same transaction `also(records)` runs, and the
   draft of the form they came from goes. */
export async function add(records, also, draft) {
  const db = await database();
  const tx = db.transaction(["records", "blobs", "meta", "drafts"], "readwrite", STRICT);
  const [store, blobs, meta] = ["records", "blobs", "meta"].map((name) => tx.objectStore(name));
  let seq = (await meta.get("seq")) ?? 0;
  const writes = [tx.done];
  for (const record of records) {
    const files = record.files.map(({ bytes, ...file }, place) => {
      if (bytes) writes.push(blobs.put(bytes, `${record.uuid}/${place}`));
      return file;
    });
    seq += 1;
    writes.push(store.put({ ...record, files, seq }));
  }
  writes.push(meta.put(seq, "seq"));
  if (also) writes.push(also(store));
  if (draft) writes.push(tx.objectStore("drafts").delete(draft));
  await Promise.all(writes);
}

export async function all() {
  const records = await (await database()).getAll("records");
  return records.sort((one, other) => one.seq - other.seq);
}

/* Of each state how many records of one person are in it, and when the oldest was made: [number, text or null]. */
export async function standing(person, states) {
  const index = (await database()).transaction("records").store.index("standing");
  return Promise.all(states.map(async (state) => {
    const range = IDBKeyRange.bound([person, state], [person, state, []]); // a list sorts after every text
    const [count, first] = await Promise.all([index.count(range), index.openKeyCursor(range)]);
    return [count, first?.key[2] ?? null];
  }));
}

/* All records but those of these kinds, which are named in their order. */
export async function allBut(kinds) {
  const index = (await database()).transaction("records").store.index("kind");
  const ends = [...kinds, null];
  const parts = ends.map((kind, place) => {
    const before = place ? kinds[place - 1] : null;
    if (before === null) return IDBKeyRange.upperBound(kind, true);
    return kind === null ? IDBKeyRange.lowerBound(before, true) : IDBKeyRange.bound(before, kind, true, true);
  });
  const found = await Promise.all(parts.map((range) => index.getAll(range)));
  return found.flat().sort((one, other) => one.seq - other.seq);
}

export async function get(uuid) {
  return (await database()).get("records", uuid);
}

/* Changes one record as it stands now. `change` gets it and gives the new one, or nothing to leave it. */
export async function change(uuid, change, durability = "strict") {
  const tx = (await database()).transaction("records", "readwrite", { durability });
  const record = await tx.store.get(uuid);
  const changed = record && change(record);
  if (changed) await tx.store.put(changed);
  await tx.done;
  return changed ?? record;
}

/* Changes several records in one transaction. Resolves to those that `change` changed. */
export async function changeAll(uuids, change) {
  const tx = (await database()).transaction("records", "readwrite", { durability: "relaxed" });
  const changed = [];
  for (const uuid of uuids) {
    const record = await tx.store.get(uuid);
    const next = record && change(record);
    if (next) { tx.store.put(next); changed.push(next); }
  }
  await tx.done;
  return changed;
}

/* Changes every record for which `change` gives another, in one transaction. */
export async function eachRecord(change) {
  const tx = (await database()).transaction("records", "readwrite", STRICT);
  const writes = [tx.done];
  for (const record of await tx.store.getAll()) {
    const changed = change(record);
    if (changed) writes.push(tx.store.put(changed));
  }
  await Promise.all(writes);
}

/* Takes records and their bytes away; with `note`, notes something under a key of meta in the same transaction. */
export async function remove(uuids, key, note) {
  const tx = (await database()).transaction(["records", "blobs", "meta"], "readwrite", STRICT);
  for (const uuid of uuids) {
    tx.objectStore("records").delete(uuid);
    tx.objectStore("blobs").delete(IDBKeyRange.bound(`${uuid}/`, `${uuid}/\uffff`));
  }
  if (key) tx.objectStore("meta").put(note(await tx.objectStore("meta").get(key)), key);
  await tx.done;
}

/* Gives a record another number, and tells those that wait for it. */
export async function renumber(uuid, next, changes) {
  const tx = (await database()).transaction(["records", "blobs"], "readwrite", STRICT);
  const [store, blobs] = [tx.objectStore("records"), tx.objectStore("blobs")];
  const record = await store.get(uuid);
  if (record) {
    for (const place of record.files.keys()) {
      blobs.put(await blobs.get(`${uuid}/${place}`), `${next}/${place}`);
      blobs.delete(`${uuid}/${place}`);
    }
    for (const other of await store.getAll()) {
      if (other.after !== uuid) continue;
      const fields = other.fields.map(([name, value]) => [name, value === uuid ? next : value]);
      store.put({ ...other, after: next, fields });
    }
    store.delete(uuid);
    store.put({ ...record, ...changes, uuid: next });
  }
  await tx.done;
}

/* The bytes of a record's file, as a Blob. */
export async function blob(record, place) {
  const bytes = await (await database()).get("blobs", `${record.uuid}/${place}`);
  return bytes && new Blob([bytes], { type: record.files[place].type });
}

// --- forms that are not sent yet ---

export async function draft(key) {
  return (await database()).get("drafts", key);
}

export async function drafts() {
  return (await database()).getAll("drafts");
}

export async function keepDraft(draft) {
  await (await database()).put("drafts", draft);
}

export async function dropDraft(key) {
  await (await database()).delete("drafts", key);
}

// --- small facts ---

export async function fact(key) {
  return (await database()).get("meta", key);
}

/* `change` gets the fact as it stands and gives the new one; undefined deletes it. Resolves to what stands then. */
export async function changeFact(key, change) {
  const tx = (await database()).transaction("meta", "readwrite", STRICT);
  const was = await tx.store.get(key);
  const now = change(was);
  if (now === undefined) await tx.store.delete(key);
  else if (now !== was) await tx.store.put(now, key);
  await tx.done;
  return now;
}

/* Several facts at once, [[key, value]]; undefined deletes. */
export async function putFacts(pairs) {
  const tx = (await database()).transaction("meta", "readwrite", STRICT);
  for (const [name, value] of pairs) {
    if (value === undefined) tx.store.delete(name);
    else tx.store.put(value, name);
  }
  await tx.done;
}

export async function facts(prefix) {
  const db = await database();
  const range = IDBKeyRange.bound(prefix, `${prefix}\uffff`);
  const [keys, values] = await Promise.all([db.getAllKeys("meta", range), db.getAll("meta", range)]);
  return keys.map((key, place) => [key, values[place]]);
}

/* Everything of one person leaves this phone. What belongs to others stays. */
export async function wipe(person) {
  const db = await database();
  const tx = db.transaction(["records", "blobs", "drafts", "meta"], "readwrite", STRICT);
  for (const record of await tx.objectStore("records").getAll()) {
    if (record.person !== person) continue;
    tx.objectStore("records").delete(record.uuid);
    tx.objectStore("blobs").delete(IDBKeyRange.bound(`${record.uuid}/`, `${record.uuid}/\uffff`));
  }
  for (const draft of await tx.objectStore("drafts").getAll()) {
    if (draft.person === person) tx.objectStore("drafts").delete(draft.key);
  }
  for (const key of await tx.objectStore("meta").getAllKeys()) {
    if (key.split(" ")[1] === String(person)) tx.objectStore("meta").delete(key);
  }
  await tx.done;
}
