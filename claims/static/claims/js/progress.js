// Long work: asks the page's own address as JSON and shows how far it is; when it has ended the page is loaded anew.

const EVERY = 1000;
const AT_MOST = 15000;
const PATIENCE = 10000;

const box = document.querySelector("[data-progress]");
const words = box.querySelector("[data-progress-words]");
const bar = box.querySelector("progress");
let pause = EVERY;
let told = false;

async function look() {
  let answer = null;
  try {
    answer = await fetch(location.pathname, { headers: { Accept: "application/json" }, cache: "no-store", signal: AbortSignal.timeout(PATIENCE) });
  } catch { /* offline: told below */ }
  if (answer && (answer.redirected || (answer.status >= 400 && answer.status < 500))) return location.reload(); // signed out, or no longer ours
  if (!answer?.ok) return lost();
  const job = await answer.json();
  if (job.finished || job.state !== box.dataset.state) return location.reload();
  show(job);
  again(EVERY);
}

function show(job) {
  told = false;
  if (words.textContent !== job.words) words.textContent = job.words;
  if (job.total) {
    bar.max = job.total;
    bar.value = Math.min(job.made, job.total);
  } else {
    bar.removeAttribute("value");
  }
}

function lost() {
  if (!told) document.dispatchEvent(new CustomEvent("say", { detail: { text: box.dataset.lost } }));
  told = true;
  again(Math.min(pause * 2, AT_MOST));
}

// A page nobody looks at asks nothing; it asks at once when somebody does.
function again(after) {
  pause = after;
  setTimeout(() => {
    if (!document.hidden) return look();
    document.addEventListener("visibilitychange", look, { once: true });
  }, after);
}

again(EVERY);
