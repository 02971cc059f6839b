// The service worker: keeps the dock's files by release and its pages by person, so that they open without a network.
// Before this text the server sets RELEASE, STATIC, ASSETS, HEAVY and OFFLINE. Only GET passes through here; what is
// written goes its own way.

const PATIENCE = 2500;
const QUIET = 30;
const MEMORY = "memory";
const MEMORY_KEY = "/memory";
const MOST_THUMBNAILS = 300;
const NAMED_BY_CONTENT = /\.[0-9a-f]{12}\.\w+$/;
const THUMBNAIL = /^\/[A-Z]{3,4}\/photo\/[0-9a-f-]{36}\/thumbnail\/$/;
const LOAD_LIST = /^\/[A-Z]{3,4}\/trailer\/\d+\/cartons\.json$/;
const OF_TRAILER = /^\/([A-Z]{3,4})\/trailer\/(\d+)\//;
const UNREACHED = new Set([502, 503, 504]);

const assetsOf = (release) => `assets-${release}`;
const pagesOf = (person) => `pages-${person}`;
const later = (milliseconds) => new Promise((resolve) => setTimeout(resolve, milliseconds));

// --- what the worker remembers between two lives ---

let remembered;

function memory() {
  remembered ??= (async () => {
    const kept = await (await caches.open(MEMORY)).match(MEMORY_KEY);
    const empty = { person: "", names: {}, language: "en", start: "", kept: {}, clients: {} };
    return kept ? { ...empty, ...(await kept.json()) } : empty;
  })();
  return remembered;
}

async function remember(facts) {
  const known = Object.assign(await memory(), facts);
  await (await caches.open(MEMORY)).put(MEMORY_KEY, new Response(JSON.stringify(known)));
}

// Another person on the same phone: what was kept for the last one is gone. Signed out alone keeps it, unseen.
async function meet(person) {
  const known = await memory();
  if (known.person === person) return;
  await remember({ person, start: "", kept: {} });
  if (!person) return;
  for (const name of await caches.keys()) if (name.startsWith("pages-") && name !== pagesOf(person)) await caches.delete(name);
}

async function forget() {
  const known = await memory();
  for (const name of await caches.keys()) if (name.startsWith("pages-")) await caches.delete(name);
  await remember({ person: "", start: "", kept: {}, names: { ...known.names, [known.person]: undefined } });
}

// --- files ---

self.addEventListener("install", (event) => event.waitUntil(install()));
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim().then(tidy)));

// All of them or none: a release that is not complete is never used. It takes over when a page that stands still asks for
// it: a page on its way at that moment would never arrive.
async function install() {
  const cache = await caches.open(assetsOf(RELEASE));
  await Promise.all(ASSETS.map((address) => fetchAsset(cache, address)));
}

async function fetchAsset(cache, address) {
  if (await cache.match(address)) return;
  const known = NAMED_BY_CONTENT.test(address) && (await caches.match(address));
  const found = known || (await fetch(address, { cache: NAMED_BY_CONTENT.test(address) ? "default" : "no-cache", credentials: "omit" }));
  if (!found.ok) throw new Error(`${address}: ${found.status}`);
  await cache.put(address, found);
}

// A page of an older release finds its own files as long as it is open or kept.
async function asset(request) {
  const cache = await caches.open(assetsOf(RELEASE));
  const found = (await cache.match(request, { ignoreVary: true })) ?? (await caches.match(request, { ignoreVary: true }));
  if (found) return found;
  const response = await fetch(request);
  if (response.status === 200) await cache.put(request, response.clone());
  return response;
}

async function tidy() {
  if (self.registration.installing || self.registration.waiting) return;
  const releases = (await caches.keys()).filter((name) => name.startsWith("assets-"));
  if (releases.length < 2) return;
  const known = await memory();
  const open = await self.clients.matchAll({ type: "window", includeUncontrolled: true });
  await remember({ clients: Object.fromEntries(open.map(({ id }) => [id, known.clients[id]]).filter(([, release]) => release)) });
  if (open.some(({ id }) => !known.clients[id])) return;
  const used = new Set([RELEASE, ...Object.values(known.clients)]);
  for (const name of await caches.keys()) {
    if (!name.startsWith("pages-")) continue;
    const cache = await caches.open(name);
    for (const request of await cache.keys()) used.add((await cache.match(request))?.headers.get("X-Release"));
  }
  for (const name of releases) if (!used.has(name.slice("assets-".length))) await caches.delete(name);
}

// --- pages ---

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== location.origin) return;
  if (url.pathname.startsWith(STATIC)) event.respondWith(asset(request));
  else if (request.mode === "navigate") event.respondWith(page(event, url));
  else if (LOAD_LIST.test(url.pathname) && !request.headers.has("X-Keep")) event.respondWith(page(event, url));
  else if (THUMBNAIL.test(url.pathname)) event.respondWith(thumbnail(request));
});

// The network's page if it comes in time, else the one kept for this person, else the page that says what is kept.
async function page(event, url) {
  const kept = await keptFor(url);
  const asked = fetch(event.request).then((response) => ({ response }), (error) => ({ error }));
  const reached = asked.then(({ response }) => (response && !UNREACHED.has(response.status) ? response : null));
  const answer = kept ? await Promise.race([reached, later(PATIENCE)]) : await reached;
  if (answer) {
    // What is not kept is not copied: a paper of many pages would fill the memory.
    const copy = answer.headers.has("X-Dock") ? answer.clone() : new Response(null, { headers: answer.headers, status: answer.status || 200 });
    event.waitUntil(learn(url, copy));
    return answer;
  }
  if (!kept) {
    const { response, error } = await asked;
    if (response) return response;
    if (event.request.mode === "navigate") return offline();
    throw error;
  }
  event.waitUntil(reached.then(async (late) => late && (await learn(url, late)) && tell(event.resultingClientId, { type: "newer" })));
  return kept;
}

async function keptFor(url) {
  const { person, start } = await memory();
  if (!person) return undefined;
  const cache = await caches.open(pagesOf(person));
  if (url.pathname === "/") return start ? cache.match(start) : undefined;
  return (await cache.match(url.pathname + url.search)) ?? cache.match(url.pathname);
}

async function offline() {
  const { language } = await memory();
  const found = await caches.match(OFFLINE[language] ?? OFFLINE.en);
  return found ?? Response.error();
}

// What an answer says about who is signed in and whether it may be kept. True if it is kept now.
async function learn(url, response) {
  const person = response.headers.get("X-Person");
  if (person !== null) await meet(person);
  const language = response.headers.get("Content-Language");
  if (language && language !== (await memory()).language) await remember({ language });
  const release = response.headers.get("X-Release");
  if (release && release !== RELEASE) self.registration.update().catch(() => {});
  const address = url.pathname + url.search;
  if (response.headers.has("X-Dock-Once")) return (await later(QUIET)) ?? fetchPage(address, "");
  return keep(address, response, "");
}

// Only whole pages of the person who is signed in. The page's own address says since when it is kept.
async function keep(address, response, version) {
  const { person } = await memory();
  if (response.status !== 200 || !person || response.headers.get("X-Dock") !== person) return false;
  const type = response.headers.get("Content-Type") ?? "";
  if (!/^(text\/html|application\/json)/.test(type)) return false;
  const at = new Date().toISOString();
  let text = await response.text();
  const title = text.match(/<title>([^<]*)<\/title>/)?.[1] ?? "";
  if (type.startsWith("text/html")) text = text.replace("<html ", `<html data-kept="${at}" `);
  const headers = new Headers(response.headers);
  for (const name of ["Content-Encoding", "Content-Length", "Vary"]) headers.delete(name);
  const told = { "X-Kept": at, "X-Kept-Version": version, "X-Kept-Title": encodeURIComponent(title) };
  for (const [name, value] of Object.entries(told)) headers.set(name, value);
  const cache = await caches.open(pagesOf(person));
  if ((await memory()).person !== person) return false;
  await cache.put(address, new Response(text, { headers }));
  if (/^\/[A-Z]{3,4}\/doors\/$/.test(address)) await remember({ start: address });
  return true;
}

async function thumbnail(request) {
  const { person } = await memory();
  if (!person) return fetch(request);
  const cache = await caches.open(pagesOf(person));
  const found = await cache.match(request, { ignoreVary: true });
  if (found) return found;
  const response = await fetch(request);
  if (response.status === 200 && (await memory()).person === person) {
    const copy = response.clone();
    const kept = (await cache.keys()).filter(({ url }) => THUMBNAIL.test(new URL(url).pathname));
    if (kept.length >= MOST_THUMBNAILS) await cache.delete(kept[0]);
    await cache.put(request, copy);
  }
  return response;
}

// --- keeping in quiet what the person may need ---

let keeping = null;

function keepAll(site) {
  keeping ??= keepSite(site).catch(() => {}).finally(() => { keeping = null; });
  return keeping;
}

async function keepSite(site) {
  const response = await fetch(`/${site}/phone/pages/`, { cache: "no-store", redirect: "manual", headers: { Accept: "application/json" } });
  if ([403, 404].includes(response.status)) return drop((address) => address.startsWith(`/${site}/`));
  if (response.status !== 200) return;
  const wanted = await response.json();
  const person = String(wanted.person);
  await meet(person);
  const known = await memory();
  await remember({ names: { ...known.names, [person]: wanted.name } });
  const open = new Set(wanted.trailers.map(String));
  await drop((address) => {
    const [, of, number] = address.match(OF_TRAILER) ?? [];
    return of === site && !open.has(number);
  });
  const cache = await caches.open(pagesOf(person));
  for (const [address, version] of wanted.pages) {
    const kept = await cache.match(address);
    if (kept?.headers.get("X-Kept-Version") === version) continue;
    if ((await fetchPage(address, version)) === null) return;
    if ((await memory()).person !== person) return;
  }
  const at = new Date().toISOString();
  await remember({ kept: { ...(await memory()).kept, [site]: at } });
  for (const address of HEAVY) await fetchAsset(await caches.open(assetsOf(RELEASE)), address).catch(() => {});
  await tellAll({ type: "kept", site, at });
  await tidy();
}

// True if it is kept now, false if the server gives no such page, null if the server was not reached as this person.
async function fetchPage(address, version) {
  let response;
  try {
    response = await fetch(address, { cache: "no-store", redirect: "manual", headers: { "X-Keep": "1" } });
  } catch {
    return null;
  }
  if (UNREACHED.has(response.status)) return null;
  if (response.status >= 500) return false;
  const { person } = await memory();
  const of = response.headers.get("X-Person") ?? response.headers.get("X-Dock");
  if (response.status === 200 && of !== person) return null;
  if (await keep(address, response, version)) return true;
  if (person) await (await caches.open(pagesOf(person))).delete(address);
  return false;
}

async function drop(is) {
  const { person } = await memory();
  const cache = await caches.open(pagesOf(person));
  for (const request of await cache.keys()) if (is(new URL(request.url).pathname)) await cache.delete(request);
}

async function addresses() {
  const { person } = await memory();
  const requests = person ? await (await caches.open(pagesOf(person))).keys() : [];
  return { addresses: requests.map(({ url }) => url.slice(location.origin.length)) };
}

async function listKept() {
  const { person, names } = await memory();
  const cache = person ? await caches.open(pagesOf(person)) : null;
  const pages = [];
  for (const request of cache ? await cache.keys() : []) {
    const { headers } = await cache.match(request);
    const url = new URL(request.url);
    const title = decodeURIComponent(headers.get("X-Kept-Title") ?? "");
    if (title) pages.push({ address: url.pathname + url.search, title, at: headers.get("X-Kept") });
  }
  return { person, names, pages };
}

// --- talk with the pages ---

self.addEventListener("message", (event) => {
  const { type, site, release } = event.data ?? {};
  const answer = (promise) => event.waitUntil(promise.then((told) => event.ports[0]?.postMessage(told ?? null)));
  if (type === "hello") answer(hello(event.source?.id, release));
  else if (type === "keep") answer(keepAll(site));
  else if (type === "names") answer(memory().then(({ names }) => ({ names })));
  else if (type === "addresses") answer(addresses());
  else if (type === "list") answer(listKept());
  else if (type === "forget") answer(forget());
  else if (type === "take over") event.waitUntil(self.skipWaiting());
});

async function hello(id, release) {
  const { clients } = await memory();
  if (id && release) await remember({ clients: { ...clients, [id]: release } });
  await tidy();
  const { names, kept } = await memory();
  return { release: RELEASE, names, kept };
}

async function tell(id, message) {
  (await self.clients.get(id))?.postMessage(message);
}

async function tellAll(message) {
  for (const client of await self.clients.matchAll({ type: "window" })) client.postMessage(message);
}
