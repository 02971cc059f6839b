// Talk with the service worker that keeps pages on this phone; without one every question is answered with nothing.

const NOTHING = { person: "", names: {}, kept: {}, pages: [], addresses: [], release: "" };
const PATIENCE = 10000;

/* Registers the worker. Resolves to whether there is one. */
export async function register() {
  if (!navigator.serviceWorker) return false;
  try {
    await navigator.serviceWorker.register("/sw.js", { scope: "/", updateViaCache: "none" });
    return true;
  } catch {
    return false;
  }
}

/* Sends one message and resolves to its answer. */
export async function ask(message) {
  const registration = await navigator.serviceWorker?.getRegistration();
  const worker = registration && (registration.active ?? (await navigator.serviceWorker.ready).active);
  if (!worker) return NOTHING;
  const { port1, port2 } = new MessageChannel();
  const answer = new Promise((resolve) => {
    port1.onmessage = ({ data }) => resolve(data);
    setTimeout(() => resolve(NOTHING), PATIENCE);
  });
  worker.postMessage(message, [port2]);
  return (await answer) ?? NOTHING;
}

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
