// Whether the server can be reached: asked of the server itself, because a browser only knows its own cable or radio.
// Tells with the event "network" on the document; any module that saw a request fail says "network:doubt" there.

const ADDRESS = "/reachable/";
const PATIENCE = 5000;
const AGAIN = 5000;
const NOW_AND_THEN = 60000;

// A page that was kept is shown because the server was silent.
let offline = !navigator.onLine || "kept" in document.documentElement.dataset;
let asking = null;
let timer = 0;

/* True while the server cannot be reached. */
export const isOffline = () => offline;

/* Asks the server; resolves to whether it answered. */
export function look() {
  asking ??= reach().then(set).finally(() => { asking = null; });
  return asking;
}

async function reach() {
  if (!navigator.onLine) return false;
  try {
    return (await fetch(ADDRESS, { method: "HEAD", cache: "no-store", signal: AbortSignal.timeout(PATIENCE) })).ok;
  } catch {
    return false;
  }
}

function set(reached) {
  const changed = offline === reached;
  offline = !reached;
  clearTimeout(timer);
  timer = setTimeout(() => (document.hidden ? set(!offline) : look()), offline ? AGAIN : NOW_AND_THEN);
  if (changed) document.dispatchEvent(new CustomEvent("network", { detail: { offline } }));
  return reached;
}

addEventListener("online", look);
addEventListener("offline", look);
document.addEventListener("network:doubt", look);
document.addEventListener("visibilitychange", () => { if (!document.hidden) look(); });
set(!offline);
