/* The outbox of this phone: what a form says is stored here first, then sent to the form's own address under the number
   (UUID) it was given here, until the server answers. A repeat under the same number is the same record for the server.

   A record: {uuid, person, site, trailer, kind, url, fields: [[name, value]...], files, after, made_at, seq, state, tries,
   next_try, why, answer, title, page, keep, attempted}. `files` are File objects when put, and {name, field, type, size, modified,
   sha256} afterwards. `after` names a record that must be stored before this one. `page` is where the form can be opened
   again; `attempted`: it was on its way at least once. `keep` leaves the record here as `sent`, with its answer, until `forget`.
   States: draft (its form is not sent yet), waiting, sending, sent, refused.

   Events, to every open page: {type: "stored", uuid, record, answer}, {type: "refused", uuid, record, errors},
   {type: "progress", uuid, part}, {type: "discarded", uuid}, {type: "held", reason: "network" | "signed_out" | "other_person"}, {type: "changed"}. */
import * as store from "./outbox_store.js";
import { post, askServer } from "./outbox_wire.js";
import * as scanLog from "./scan_log.js";

export { newUuid, taken, usable, blob } from "./outbox_store.js";

const SECOND = 1000;
const LONGEST = 300 * SECOND;
const FRESH = 60 * SECOND; // how long the server's word on who is signed in is good
const HOLDS = 3; // failures after which a record no longer holds up what was made later at its trailer
const HOPELESS = 10 * SECOND; // so long after the network failed nothing is tried because something new was put in
const TOGETHER = 50; // how many scans of one trailer go in one post
const ARRIVED = 30; // how many records the list of what has arrived remembers
const MOST_DISCARDED = 100; // told in one report
const STREAMS = { words: (record) => !record.files.length, files: (record) => record.files.length > 0 };

const root = document.documentElement;
export const me = () => Number(root.dataset.person) || null;
const sitePath = (url) => new URL(url, location.href).pathname.split("/")[1];
const trailerIn = (url) => Number(/\/trailer\/(\d+)\//.exec(new URL(url, location.href).pathname)?.[1]) || null;
const now = () => new Date().toISOString();

// --- who hears what ---

const listeners = new Set();
const channel = globalThis.BroadcastChannel ? new BroadcastChannel("dock") : null;

/* Calls `listener(event)` for each event, of this page or another. Gives a function that ends it. */
export function on(listener) {
  listeners.add(listener);
  return () => listeners.delete(listener);
}

function hear(event) {
  for (const listener of [...listeners]) listener(event);
}

function tell(event) {
  hear(event);
  channel?.postMessage(event);
}

let changing = 0;
function changed() {
  changing ||= setTimeout(() => { changing = 0; tell({ type: "changed" }); }, 100);
}

channel?.addEventListener("message", ({ data }) => hear(data));

// --- putting in ---

/* Stores one record. Resolves to its number when it is on the disk; it is sent by itself. Rejects if it is not kept. */
export async function put(record) {
  const [uuid] = await putAll([record]);
  return uuid;
}

/* Stores several in this order, all or none. `release` -- photos put as drafts after one of them may go now; `draft` -- the
   key of the begun form they came from, which is no longer needed. */
export async function putAll(records, { release = false, draft = "" } = {}) {
  const whole = await Promise.all(records.map(completed));
  const numbers = whole.map((record) => record.uuid);
  await store.add(whole, release && ((drafts) => letGo(drafts, numbers)), draft);
  askToPersist();
  changed();
  for (const record of whole) noteWork(record.site, record.trailer);
  // Just tried in vain: the next try is planned, and a scanner shall not wait for one after each scan.
  if (heldBy !== "network" || Date.now() - failed > HOPELESS) nudge();
  else hear({ type: "held", reason: heldBy });
  return numbers;
}

async function completed(record) {
  if (!me()) throw new Error("Nobody is signed in on this page.");
  const files = await Promise.all((record.files ?? []).map((file) => (file.sha256 ? file : store.taken(file, record.field ?? "photo"))));
  const { pathname } = new URL(record.url, location.href);
  return {
    uuid: store.newUuid(), person: me(), site: sitePath(pathname), trailer: trailerIn(pathname), kind: "step", after: null,
    made_at: now(), state: "waiting", tries: 0, next_try: 0, why: [], answer: null, title: "", page: "", fields: [],
    ...record, url: pathname, files,
  };
}

async function letGo(records, numbers) {
  for (const record of await records.getAll()) {
    if (record.state === "draft" && numbers.includes(record.after)) await records.put({ ...record, state: "waiting" });
  }
}

let persisting = null;
function askToPersist() {
  persisting ??= navigator.storage?.persist?.().catch(() => false);
}

/* {persisted, usage, quota}: what the browser promises and how much room is left, in bytes; null where it does not say. */
export async function room() {
  const { usage = null, quota = null } = (await navigator.storage?.estimate?.()) ?? {};
  return { persisted: (await navigator.storage?.persisted?.()) ?? false, usage, quota };
}

/* Stores records and waits for the first one's answer, at most `patience` milliseconds. `mended` -- the first was refused
   before and goes again with what is in it now.
   {is: "stored", answer} | {is: "refused", errors} | {is: "kept", reason: "network" | "slow" | "signed_out" | "other_person"} */
export async function send(records, { patience = 4000, release = false, mended = false, draft = "" } = {}) {
  let settle;
  const answer = new Promise((resolve) => { settle = resolve; });
  let { uuid } = records[0];
  const end = on((event) => {
    if (event.type === "held") settle({ is: "kept", reason: event.reason });
    if (event.uuid !== uuid) return;
    if (event.type === "stored") settle({ is: "stored", answer: event.answer });
    if (event.type === "refused") settle({ is: "refused", errors: event.errors });
  });
  try {
    if (mended && (await store.get(uuid))) {
      if (release) await store.eachRecord((record) => (record.state === "draft" && record.after === uuid ? { ...record, state: "waiting" } : null));
      const { fields, url, title } = records[0];
      uuid = await mend(uuid, fields, { url: new URL(url, location.href).pathname, title });
    } else {
      await putAll(records, { release, draft });
    }
    setTimeout(() => settle({ is: "kept", reason: "slow" }), patience);
    return await answer;
  } finally {
    end();
  }
}

/* Waits until these records are answered, at most `patience` milliseconds: {stored: n, refused: [errors], waiting: n}. */
export async function settled(uuids, patience) {
  const left = new Set(uuids);
  const told = { stored: 0, refused: [], waiting: 0 };
  let settle;
  const all = new Promise((resolve) => { settle = resolve; });
  const answered = (uuid, errors) => {
    if (!left.delete(uuid)) return;
    if (errors) told.refused.push(errors); else told.stored += 1;
    if (!left.size) settle();
  };
  const end = on((event) => {
    if (event.type === "stored") answered(event.uuid);
    if (event.type === "refused") answered(event.uuid, event.errors);
    if (event.type === "held") settle();
  });
  for (const uuid of uuids) {
    const record = await store.get(uuid);
    if (!record || record.state === "sent") answered(uuid);
    else if (record.state === "refused") answered(uuid, record.why);
  }
  setTimeout(settle, patience);
  await all;
  end();
  return { ...told, waiting: left.size };
}

// --- looking ---

const unsent = (record) => !["draft", "sent"].includes(record.state);

/* This person's records that are not stored by the server, in the order they were made; drafts of photos left out. */
export async function list() {
  return (await store.all()).filter((record) => record.person === me() && unsent(record));
}

/* What the head says of this person's unsent records, at the cost of no record: {waiting, refused, oldest}. */
export async function tally() {
  const [waiting, sending, refused] = await store.standing(me(), ["waiting", "sending", "refused"]);
  const oldest = [waiting, sending, refused].map(([, at]) => at).filter(Boolean).sort()[0] ?? null;
  return { waiting: waiting[0] + sending[0], refused: refused[0], oldest };
}

/* This person's unsent records without those that come by the hundred: scans and taps. */
export async function listOfFew() {
  return (await store.allBut(["scan", "tally"])).filter((record) => record.person === me() && unsent(record));
}

export const find = (uuid) => store.get(uuid);

/* Photos that belong to a form not sent yet. */
export async function draftsAfter(uuid) {
  return (await store.all()).filter((record) => record.state === "draft" && record.after === uuid);
}

/* {waiting, refused, others, records, photos, oldest}: this person's unsent, and how many are somebody else's. */
export async function counts() {
  const told = { waiting: 0, refused: 0, others: 0, records: 0, photos: 0, oldest: null };
  for (const record of await store.all()) {
    if (!unsent(record)) continue;
    if (record.person !== me()) { told.others += 1; continue; }
    told[record.state === "refused" ? "refused" : "waiting"] += 1;
    told[record.files.length ? "photos" : "records"] += 1;
    if (!told.oldest || record.made_at < told.oldest) told.oldest = record.made_at;
  }
  return told;
}

/* The last records that have arrived, newest first: [{uuid, title, kind, trailer, made_at, at}]. */
export async function arrived() {
  return (await store.facts(`arrived ${me()} `)).flatMap(([, rows]) => rows).sort((one, other) => (one.at < other.at ? 1 : -1));
}

// --- changing ---

/* Sends a refused or waiting record again now. */
export async function retry(uuid) {
  const record = await store.get(uuid);
  if (!record) return;
  await again(record, {});
}

/* Sends a record again with other fields. Where its number was used for something else, it gets a new one. */
export async function mend(uuid, fields, more = {}) {
  const record = await store.get(uuid);
  if (!record) return null;
  return again(record, { ...more, fields });
}

const SPOILT = new Set(["uuid_reused", "hash_differs"]);

async function again(record, changes) {
  const fresh = { ...changes, state: "waiting", tries: 0, next_try: 0, why: [] };
  let { uuid } = record;
  if (record.why.some((error) => SPOILT.has(error.code))) {
    uuid = store.newUuid();
    await store.renumber(record.uuid, uuid, fresh);
  } else {
    await store.change(record.uuid, (was) => ({ ...was, ...fresh }));
  }
  changed();
  nudge();
  return uuid;
}

/* Takes a record off this phone for good, with the photos that wait for it; the server is told what and why. */
export async function discard(uuid, reason) {
  const records = await store.all();
  const record = records.find((each) => each.uuid === uuid);
  if (!record) return;
  const gone = records.filter((each) => each === record || each.after === uuid);
  const note = (each) => ({ uuid: each.uuid, title: each.title, reason, made_at: each.made_at, trailer: each.trailer, photos: each.files.length });
  const key = `discarded ${record.person} ${record.site}`;
  await store.remove(gone.map((each) => each.uuid), key, (was = []) => [...was, ...gone.map(note)]);
  for (const each of gone) tell({ type: "discarded", uuid: each.uuid });
  changed();
  nudge();
}

/* Takes back what was never sent, without a word to the server. False once it was on its way, arrived or not. */
export async function takeBack(uuid) {
  const taken = await store.change(uuid, (record) => (record.attempted ? null : { ...record, state: "draft" }));
  if (taken?.state !== "draft") return false;
  await store.remove([uuid]);
  changed();
  return true;
}

/* Says that nobody waits for this sent record any more. */
export async function forget(uuid) {
  const record = await store.get(uuid);
  if (record?.state === "sent") await store.remove([uuid]);
}

/* Changes fields of a record that was never sent: a caption, say. Once it was on its way it must stay as it is. */
export async function amend(uuid, fields, more = {}) {
  const record = await store.change(uuid, (was) => (was.attempted ? null : { ...was, ...more, fields: fields(was.fields) }));
  changed();
  nudge();
  return record;
}

/* Everything of this person leaves the phone: for signing out, after asking. */
export async function wipe(person = me()) {
  await store.wipe(person);
  changed();
}

// --- sending ---

const running = {};
const wanted = {};
let fails = 0;
let failed = 0;
let heldBy = "";
let timer = 0;

const nudge = (options) => flush(options).catch(() => { /* the database went away: the next page begins anew */ });

/* Sends what waits, in order. `eager` -- everything at once, whatever its next try. Resolves when this round is over. */
export async function flush({ eager = false } = {}) {
  if (!store.usable() || !me()) return;
  if (eager) {
    fails = 0;
    await store.eachRecord((record) => (record.next_try ? { ...record, next_try: 0 } : null));
  }
  await Promise.all(Object.keys(STREAMS).map(round));
  await plan();
}

function round(stream) {
  wanted[stream] = true;
  running[stream] ??= alone(`dock outbox ${stream}`, async () => {
    while (wanted[stream]) {
      wanted[stream] = false;
      await sendAll(stream);
    }
  }).finally(() => {
    delete running[stream];
    if (wanted[stream]) round(stream).catch(() => {});
  });
  return running[stream];
}

/* One page sends at a time; the others wait their turn and find nothing left to do. */
function alone(name, work) {
  return navigator.locks ? navigator.locks.request(name, work) : work();
}

async function sendAll(stream) {
  const mine = (await store.all()).filter((record) => record.person === me() && STREAMS[stream](record));
  const held = new Set();
  const single = new Set();
  let reached = false;
  for (const { uuid, state } of mine) {
    // Nobody else sends: what stands as being sent was cut off.
    const record = state === "sending"
      ? await store.change(uuid, (was) => (was.state === "sending" ? { ...was, state: "waiting" } : null))
      : await store.get(uuid);
    if (record?.state !== "waiting" || record.person !== me()) continue;
    const lane = `${record.site}/${record.trailer}`;
    if (held.has(lane) || (record.after && await isUnsent(record.after))) continue;
    if (record.kind === "scan" && (await deliverScans(record, mine, single))) { reached = true; continue; }
    const result = record.next_try > Date.now() ? "again" : await deliver(record);
    if (result === "stop") return;
    reached ||= result !== "again";
    if (result === "again" && stream === "words" && record.tries && record.tries < HOLDS) held.add(lane);
    if (result === "failed" && stream === "words" && record.tries + 1 < HOLDS) held.add(lane);
    if (result === "stored" && stream === "words") round("files").catch(() => {});
  }
  if (reached) { fails = 0; heldBy = ""; }
  // A stream with nothing to send has not heard of the server: what the other one found out stands.
  if (heldBy !== "network") await report();
}

async function isUnsent(uuid) {
  const record = await store.get(uuid);
  return Boolean(record && record.state !== "sent");
}

/* -> "stored", "refused", "failed" (to be tried again later) or "stop" (the server cannot be reached as this person) */
async function deliver(record) {
  let server = await ask(record.site);
  if (server.is === "gone") return handIn(record, server, "not_at_site");
  if (server.is !== "here") return stop(server.is);
  await store.change(record.uuid, (was) => ({ ...was, state: "sending", attempted: true }));
  changed();
  let answer = await attempt(record, server);
  if (answer.is === "away" || answer.is === "denied") {
    // Signed out, another token, or no right any more: the server says which.
    server = await ask(record.site, { fresh: true });
    if (server.is === "gone") return handIn(record, server, "not_at_site");
    if (server.is !== "here") return putBack(record, server.is);
    answer = await attempt(record, server);
    if (answer.is === "denied") return handIn(record, server, server.may_work ? "not_found" : "no_right");
  }
  if (answer.is === "stored") return stored(record, answer.data);
  if (answer.is === "refused") return refused(record, answer.errors);
  return putOff(record, answer);
}

/* Scans that wait in a row for one trailer go in one post, each under its own number. False where nothing came of it: then
   each goes by itself, and they are noted in `single`. */
async function deliverScans(first, mine, single) {
  const row = [];
  for (const record of mine.slice(mine.findIndex(({ uuid }) => uuid === first.uuid))) {
    if (row.length === TOGETHER || !goesWith(record, first)) break;
    row.push(record.uuid);
  }
  if (row.length < 2 || first.tries || single.has(first.uuid)) return false;
  const server = await ask(first.site);
  if (server.is !== "here") return false;
  const going = await store.changeAll(row, (was) => (was.state === "waiting" ? { ...was, state: "sending", attempted: true } : null));
  const labels = going.map(({ uuid, fields }) => ({ uuid, ...Object.fromEntries(fields.filter(([name]) => name === "label" || name === "device_at")) }));
  const others = first.fields.filter(([name]) => name !== "label" && name !== "device_at");
  const fields = [...others, ["labels", JSON.stringify(labels)]];
  const answer = await post(first.url, { fields, uuid: store.newUuid(), files: [], headers: await headers(server, going.at(-1)) });
  if (answer.is !== "stored") {
    row.forEach((uuid) => single.add(uuid));
    await store.changeAll(row, (was) => (was.state === "sending" ? { ...was, state: "waiting" } : null));
    return false;
  }
  const { scans, running } = answer.data;
  await storedScans(going.map((record, place) => [record, { scans: [scans[place]], running }]));
  return true;
}

const alike = (fields) => JSON.stringify(fields.filter(([name]) => name !== "label" && name !== "device_at"));
const goesWith = (record, first) => record.kind === "scan" && record.state === "waiting" && record.url === first.url && !record.after && !record.tries && alike(record.fields) === alike(first.fields);

async function storedScans(pairs) {
  await scanLog.keep(pairs.map(([record, data]) => scanLog.entryOf(record, data)));
  await store.remove(pairs.map(([{ uuid }]) => uuid));
  for (const [record, data] of pairs) tell({ type: "stored", uuid: record.uuid, record, answer: data });
  changed();
}

async function attempt(record, server) {
  const files = await Promise.all(record.files.map(async (file, place) => ({ ...file, blob: await store.blob(record, place) })));
  const progress = files.length ? (part) => tell({ type: "progress", uuid: record.uuid, part }) : null;
  return post(record.url, { fields: record.fields, uuid: record.uuid, files, progress, headers: await headers(server, record) });
}

async function headers(server, record) {
  return { "X-CSRFToken": server.csrf, "X-Phone": await phone(), "X-Made-At": record.made_at };
}

async function stored(record, data) {
  const told = data.photo?.sha256;
  if (record.files.length && told !== record.files[0].sha256) {
    return refused(record, [{ code: "hash_differs", field: null, message: "" }]);
  }
  if (data.scans) {
    await storedScans([[record, data]]);
    return "stored";
  }
  const key = `arrived ${record.person} ${record.site}`;
  const { uuid, title, kind, trailer, made_at } = record;
  const row = { uuid, title, kind, trailer, made_at, at: now(), handed: Boolean(data.handed_in) };
  if (record.keep && !record.files.length) await store.change(uuid, (was) => ({ ...was, state: "sent", answer: data, why: [], sent_at: now() }));
  else await store.remove([uuid], key, (rows = []) => [row, ...rows].slice(0, ARRIVED));
  tell({ type: "stored", uuid, record, answer: data });
  changed();
  return "stored";
}

async function refused(record, errors) {
  await store.change(record.uuid, (was) => ({ ...was, state: "refused", why: errors, tries: was.tries + 1 }));
  tell({ type: "refused", uuid: record.uuid, record, errors });
  changed();
  return "refused";
}

async function putOff(record, answer) {
  if (answer.is === "silent") {
    // No answer at all is the network's failure, not this record's, unless the server answers others.
    const server = await ask(record.site, { fresh: true });
    if (server.is !== "here") return putBack(record, server.is);
  }
  const pause = Math.max(backoff(record.tries + 1), (answer.retry_after ?? 0) * SECOND);
  await store.change(record.uuid, (was) => ({ ...was, state: "waiting", tries: was.tries + 1, next_try: Date.now() + pause }));
  changed();
  return "failed";
}

async function putBack(record, reason) {
  await store.change(record.uuid, (was) => ({ ...was, state: "waiting" }));
  changed();
  return stop(reason);
}

function stop(reason) {
  heldBy = reason;
  if (reason === "network" && Date.now() - failed > SECOND / 2) {
    failed = Date.now();
    fails += 1;
  }
  tell({ type: "held", reason });
  return "stop";
}

/* The right to write here was lost after this was made: the server keeps it for a lead. */
async function handIn(record, server, reason) {
  const { uuid, url, made_at } = record;
  const files = await Promise.all(record.files.map(async (file, place) => ({ ...file, blob: await store.blob(record, place) })));
  const fields = [["url", url], ["fields", JSON.stringify(record.fields)], ["made_at", made_at], ["reason", reason], ["person", String(record.person)], ["kind", record.kind], ["title", record.title]];
  const answer = await post(`/${record.site}/phone/handed-in/`, { fields, uuid, files, headers: await headers(server, record) });
  if (answer.is === "stored") {
    // The lead has it: only a photo whose bytes arrived as they are here may go.
    const hashes = answer.data.files?.map((file) => file.sha256 ?? file) ?? [];
    if (record.files.every((file) => hashes.includes(file.sha256))) return stored({ ...record, keep: false }, handedIn(record, answer.data));
    return refused(record, [{ code: "hash_differs", field: null, message: "" }]);
  }
  if (answer.is === "refused") return refused(record, answer.errors);
  if (answer.is === "denied") return refused(record, [{ code: reason, field: null, message: "" }]);
  return putOff(record, answer);
}

function handedIn(record, data) {
  return { ...data, handed_in: true, photo: record.files.length ? { sha256: record.files[0].sha256 } : undefined };
}

function backoff(tries) {
  return Math.min(LONGEST, SECOND * 2 ** Math.min(tries - 1, 9)) * (0.75 + Math.random() / 2);
}

// --- the server's word on who is here ---

const known = new Map();

/* {is: "here" | "gone" | "signed_out" | "other_person" | "network", csrf, may_work, ...} */
async function ask(site, { fresh = false } = {}) {
  const told = known.get(site);
  if (!fresh && told && Date.now() - told.at < FRESH && told.person === me()) return told;
  known.delete(site);
  const server = await askServer(site);
  if (server.person && server.person !== me()) return { ...server, is: "other_person" };
  if (server.is === "here") known.set(site, { ...server, at: Date.now() });
  return server;
}

// --- this phone ---

/* The number of this phone: made once, kept in the browser. */
export async function phone() {
  return store.changeFact("phone", (was) => was ?? store.newUuid());
}

/* The number people know this phone by, once the server gave it one. */
export const phoneNumber = () => store.fact("phone number");

const DAY = 24 * 3600 * SECOND;

const noted = new Map();

/* Notes that this phone was used to write at a trailer, so that before its release somebody asks whether all arrived. */
export async function noteWork(site, trailer) {
  const key = `${me()} ${site} ${trailer}`;
  if (!trailer || !me() || Date.now() - (noted.get(key) ?? 0) < FRESH) return;
  noted.set(key, Date.now());
  await store.changeFact(`worked ${me()} ${site}`, (was = {}) => ({ ...was, [trailer]: now() }));
}

let reported = { at: 0, text: "" };

/* Tells each site what still waits here: after each round if that changed, and else every minute from a phone that worked. */
export function report(how) {
  return alone("dock report", () => reportAll(how ?? {}));
}

async function reportAll({ always = false }) {
  const sites = new Set([root.dataset.site].filter(Boolean));
  const records = await list();
  for (const record of records) sites.add(record.site);
  for (const [key] of await store.facts(`discarded ${me()} `)) sites.add(key.split(" ")[2]);
  for (const site of sites) await reportSite(site, records.filter((record) => record.site === site), always);
}

async function reportSite(site, records, always) {
  const server = await ask(site);
  if (server.is !== "here") return;
  const told = await standing(site, records);
  const text = JSON.stringify(told);
  if (!always && reported.text === `${site} ${text}` && Date.now() - reported.at < (told.worked.length ? 1 : 5) * 55 * SECOND) return;
  const body = JSON.stringify({ ...told, clock: now() });
  const answer = await post(`/${site}/phone/report/`, { fields: [["report", body]], uuid: store.newUuid(), files: [], headers: { "X-CSRFToken": server.csrf, "X-Phone": told.phone } });
  if (answer.is !== "stored") return;
  reported = { at: Date.now(), text: `${site} ${text}` };
  const gone = told.discarded.length;
  if (gone) await store.changeFact(`discarded ${me()} ${site}`, (was = []) => (was.length > gone ? was.slice(gone) : undefined));
  if (answer.data.phone_number) await store.changeFact("phone number", () => answer.data.phone_number);
}

async function standing(site, records) {
  const per = (wanted) => {
    const told = {};
    for (const { trailer, state } of records) {
      if (trailer && (state === "refused") === wanted) told[trailer] = (told[trailer] ?? 0) + 1;
    }
    return told;
  };
  const late = new Date(Date.now() - 2 * DAY).toISOString();
  const worked = await store.changeFact(`worked ${me()} ${site}`, (was) => was && Object.fromEntries(Object.entries(was).filter(([, at]) => at > late)));
  return {
    phone: await phone(),
    name: deviceName(),
    waiting: per(false),
    refused: per(true),
    worked: Object.keys(worked ?? {}).map(Number),
    oldest: records[0]?.made_at ?? null,
    discarded: ((await store.fact(`discarded ${me()} ${site}`)) ?? []).slice(0, MOST_DISCARDED),
  };
}

function deviceName() {
  const agent = navigator.userAgent;
  const system = ["iPhone", "iPad", "Android", "Windows", "Macintosh", "CrOS", "Linux"].find((name) => agent.includes(name));
  return system ?? "";
}

// --- by itself ---

async function plan() {
  clearTimeout(timer);
  const records = await store.all();
  const numbers = new Set(records.filter((record) => record.state !== "sent").map((record) => record.uuid));
  const ready = records.filter((record) => record.person === me() && ["waiting", "sending"].includes(record.state) && !numbers.has(record.after));
  if (ready.length) timer = setTimeout(nudge, pauseBefore(ready));
}

function pauseBefore(ready) {
  if (heldBy === "network") return backoff(fails);
  if (heldBy) return 60 * SECOND;
  const next = Math.min(...ready.map((record) => record.next_try).filter((time) => time > Date.now()));
  return Math.min(Math.max(next - Date.now(), SECOND), LONGEST);
}

function awake() {
  if (document.visibilityState === "visible") nudge();
}

/* Starts sending by itself: now, when the network or the page comes back, and by the clock. */
export function start() {
  if (!store.usable() || !me()) return;
  addEventListener("online", () => nudge({ eager: true }));
  addEventListener("pageshow", (event) => { if (event.persisted) awake(); });
  document.addEventListener("visibilitychange", awake);
  setInterval(() => { if (document.visibilityState === "visible" && !running.words) report().catch(() => {}); }, 60 * SECOND);
  nudge();
}
