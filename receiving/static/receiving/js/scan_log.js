/* What this phone's scans were answered, kept after the outbox has let go of them: so that a carton counted since the
   list was made is known as counted, and so that a scan the server answered otherwise than the phone is shown.
   An entry: {uuid, trailer, url, at, label, raw, pallet, bill, said, answer, server_at, running, otherwise, undone, seen} */
import * as store from "./outbox_store.js";

const DAYS = 3 * 24 * 3600 * 1000;
const key = (person, url, uuid) => `scanned ${person} ${url} ${uuid}`;
const COMPARED = ["result", "label", "store", "trailer", "misplaced"];

/* Whether two answers tell the receiver to do different things. */
export const differ = (said, answer) => Boolean(said) && COMPARED.some((name) => (said[name] ?? null) !== (answer[name] ?? null));

/* The entry of a stored scan. `data` is what the server answered for this one scan. */
export function entryOf(record, data) {
  const [answer] = data.scans;
  const field = (name) => record.fields.find(([each]) => each === name)?.[1] ?? null;
  return {
    uuid: record.uuid, url: record.url, person: record.person, at: record.made_at, raw: field("label"), label: answer.label, said: record.said ?? null,
    answer, server_at: Math.floor(Date.parse(answer.at) / 1000), running: data.running, otherwise: differ(record.said, answer),
    pallet: Number(field("pallet")) || null, bill: Number(field("shipment")) || null, undone: false, seen: false,
  };
}

export async function keep(entries) {
  await store.putFacts(entries.map((entry) => [key(entry.person, entry.url, entry.uuid), entry]));
}

/* The entries of one trailer's count, oldest first; what is old is let go. */
export async function of(person, url) {
  const found = (await store.facts(key(person, url, ""))).map(([, entry]) => entry);
  const old = found.filter((entry) => Date.parse(entry.at) < Date.now() - DAYS);
  if (old.length) await store.putFacts(old.map((entry) => [key(entry.person, entry.url, entry.uuid), undefined]));
  return found.filter((entry) => !old.includes(entry)).sort((one, other) => (one.at < other.at ? -1 : 1));
}

/* Lets go of what a list of this moment (milliseconds) tells already and nobody has to see any more. */
export async function prune(entries, listAt) {
  const idle = entries.slice(0, -20).filter((entry) => (!entry.otherwise || entry.seen) && entry.server_at * 1000 < listAt - 60_000);
  if (idle.length) await store.putFacts(idle.map((entry) => [key(entry.person, entry.url, entry.uuid), undefined]));
  return entries.filter((entry) => !idle.includes(entry));
}
