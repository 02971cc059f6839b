/* One post over the wire, and what its answer means. */

const PATIENCE = { words: 30000, files: 180000, ask: 10000 };
const AGAIN = new Set([408, 425, 429]);

/* -> {is: "stored", data} | {is: "refused", errors} | {is: "denied"} no such right or thing | {is: "away"} sent elsewhere, as to
   the sign-in page | {is: "again", retry_after} the server failed | {is: "silent"} no answer */
export async function post(url, { fields, uuid, files, headers, progress }) {
  const body = new FormData();
  for (const [name, value] of fields) body.append(name, value);
  body.append("uuid", uuid);
  for (const file of files) body.append(file.field, file.blob, file.name);
  const all = { Accept: "application/json", "X-Outbox": "1", "X-Device-Now": new Date().toISOString(), ...headers };
  return meaning(await sent(url, body, all, files.length ? PATIENCE.files : PATIENCE.words, progress), url);
}

/* An XMLHttpRequest, because only it tells how far an upload is. Resolves to null where nothing answered. */
function sent(url, body, headers, patience, progress) {
  return new Promise((resolve) => {
    const request = new XMLHttpRequest();
    request.open("POST", url);
    for (const [name, value] of Object.entries(headers)) request.setRequestHeader(name, value);
    request.timeout = patience;
    for (const lost of ["error", "timeout", "abort"]) request.addEventListener(lost, () => resolve(null));
    if (progress) request.upload.addEventListener("progress", (event) => event.lengthComputable && progress(event.loaded / event.total));
    request.addEventListener("load", () => resolve(request));
    request.send(body);
  });
}

function meaning(request, url) {
  if (!request) return { is: "silent" };
  const { status } = request;
  const data = json(request);
  if (status === 401 || new URL(request.responseURL).pathname !== new URL(url, location.href).pathname) return { is: "away" };
  // Only JSON is our server speaking: a page in between, of a portal say, has stored nothing.
  if (status >= 200 && status < 300) return data ? { is: "stored", data } : { is: "again" };
  if (status === 403 || status === 404 || status === 410) return { is: "denied" };
  if (AGAIN.has(status) || status >= 500) return { is: "again", retry_after: Number(request.getResponseHeader("Retry-After")) || 0 };
  if (data?.errors) return { is: "refused", errors: data.errors };
  return status === 413 ? { is: "refused", errors: [{ code: "too_large", field: null, message: "" }] } : { is: "again" };
}

function json(request) {
  if (!request.getResponseHeader("Content-Type")?.startsWith("application/json")) return null;
  try { return JSON.parse(request.responseText); } catch { return null; }
}

/* Who is signed in, by the server's word:
   {is: "here", person, name, may_work, csrf, now, release} | {is: "gone", csrf, person} no member any more | {is: "signed_out"} | {is: "network"} */
export async function askServer(site) {
  const url = `/${site}/phone/`;
  const headers = { Accept: "application/json", "X-Device-Now": new Date().toISOString() };
  try {
    const answer = await fetch(url, { headers, cache: "no-store", signal: AbortSignal.timeout(PATIENCE.ask) });
    if (answer.redirected || answer.status === 401) return { is: "signed_out" };
    const told = answer.headers.get("Content-Type")?.startsWith("application/json") ? await answer.json() : null;
    if (answer.status === 403 || answer.status === 404) return { csrf: tokenOfPage(), ...told, is: "gone" };
    return answer.ok && told ? { ...told, is: "here" } : { is: "network" };
  } catch {
    return { is: "network" };
  }
}

function tokenOfPage() {
  return document.querySelector("input[name=csrfmiddlewaretoken]")?.value ?? "";
}
