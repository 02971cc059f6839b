// The sign-in page says whose records wait on this phone, so that the right person signs in and sends them.
import { all } from "./outbox_store.js";
import { ask } from "./worker.js";

const notice = document.querySelector("[data-unsent-here]");
const { yours, somebody, oneRecord, records } = notice.dataset;

function sentences(waiting, names) {
  return Object.entries(waiting).map(([person, n]) => {
    const what = n === 1 ? oneRecord : records.replace("{n}", n.toLocaleString(document.documentElement.lang));
    return names[person] ? yours.replace("{what}", what).replace("{who}", names[person]) : somebody.replace("{n}", n);
  });
}

const waiting = {};
for (const { person, state } of await all()) if (!["draft", "sent"].includes(state)) waiting[person] = (waiting[person] ?? 0) + 1;
const { names } = await ask({ type: "names" });
notice.querySelector("div").replaceChildren(...sentences(waiting, names).map((sentence) => {
  const line = document.createElement("p");
  line.textContent = sentence;
  return line;
}));
notice.hidden = Object.keys(waiting).length === 0;
