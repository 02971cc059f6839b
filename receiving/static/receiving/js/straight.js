/* Where the browser keeps nothing (a private window, a page without HTTPS): what is counted waits in this page alone and
   goes to the server one after the other, each with its own number. The same calls as outbox.js, as far as Count needs. */
import { post } from "./outbox_wire.js";
import { newUuid } from "./outbox_store.js";

const AGAIN = 3000;
const listeners = new Set();
const queue = [];
let sending = false;
let leaving = false;

export { newUuid };
export const on = (listener) => { listeners.add(listener); };
export const list = async () => [...queue];
export const counts = async () => ({ waiting: queue.length });
const tell = (event) => { for (const listener of listeners) listener(event); };

export async function put(record) {
  queue.push({ state: "waiting", ...record });
  send();
  return record.uuid;
}

export async function takeBack(uuid) {
  const place = queue.findIndex((record) => record.uuid === uuid);
  if (place < 0 || (place === 0 && sending)) return false;
  queue.splice(place, 1);
  return true;
}

async function send() {
  if (sending) return;
  sending = true;
  while (queue.length && (await sendOne(queue[0]))) queue.shift();
  sending = false;
  tell({ type: "changed" });
  if (queue.length && !leaving) setTimeout(send, AGAIN);
}

async function sendOne(record) {
  const token = document.querySelector("input[name=csrfmiddlewaretoken]").value;
  const answer = await post(record.url, { ...record, files: [], headers: { "X-CSRFToken": token, "X-Made-At": record.made_at } });
  if (answer.is === "away") { leaving = true; location.reload(); }
  if (answer.is === "stored") tell({ type: "stored", uuid: record.uuid, record, answer: answer.data });
  if (answer.is === "refused" || answer.is === "denied") tell({ type: "refused", uuid: record.uuid, record, errors: answer.errors ?? [] });
  return ["stored", "refused", "denied"].includes(answer.is);
}

addEventListener("online", send);
addEventListener("beforeunload", (event) => { if (queue.length && !leaving) event.preventDefault(); });
