// Talk with the service worker that keeps pages on this phone; without one every question is answered with nothing.

const NOTHING = { person: "", names: {}, kept: {}, pages: [], addresses: [], release: "" };
const PATIENCE = 10000;
let registered = false;

/* Registers the worker if there is none. Resolves to whether there is one. */
export async function register() {
  if (!navigator.serviceWorker) return false;
  try {
    if (registered && (await navigator.serviceWorker.getRegistration())) return true;
    await navigator.serviceWorker.register("/sw.js", { scope: "/", updateViaCache: "none" });
    registered = true;
    return true;
  } catch {
    return false;
  }
}

/* Sends one message and resolves to its answer. */
export async function ask(message) {
  const registration = await navigator.serviceWorker?.getRegistration();
  const worker = registration && (registration.active ?? (await inTime(navigator.serviceWorker.ready))?.active);
  if (!worker) return NOTHING;
  const { port1, port2 } = new MessageChannel();
  const answer = new Promise((resolve) => { port1.onmessage = ({ data }) => resolve(data); });
  worker.postMessage(message, [port2]);
  return (await inTime(answer)) ?? NOTHING;
}

// A worker that was killed never answers, one whose installation failed is never ready.
const inTime = (promise) => Promise.race([promise, new Promise((resolve) => { setTimeout(resolve, PATIENCE, null); })]);

/* Lets a new release of the worker take over once it waits and this page has stood still for so many milliseconds. Not while
   the page is being left: see the worker's install. */
export async function takeOverWhenStill(still) {
  const registration = await navigator.serviceWorker.getRegistration();
  if (!registration) return;
  let leaving = false;
  addEventListener("beforeunload", () => { leaving = true; });
  const soon = () => setTimeout(() => { if (!leaving) registration.waiting?.postMessage({ type: "take over" }); }, still);
  registration.addEventListener("updatefound", () => registration.installing?.addEventListener("statechange", soon));
  soon();
}
