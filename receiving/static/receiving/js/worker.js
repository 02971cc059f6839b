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

/* A new release of the worker that waits takes over now. Only while this page stays: see the worker's install. */
export async function takeOver() {
  const registration = await navigator.serviceWorker?.getRegistration();
  registration?.waiting?.postMessage({ type: "take over" });
}
