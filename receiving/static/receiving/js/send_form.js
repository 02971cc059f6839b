// A form with photos sends itself with progress. Refused or offline, everything typed and photographed is still there.

const form = document.querySelector("form[data-send]");
const told = form.querySelector("[data-send-told]");
const progress = form.querySelector("[data-send-progress]");
const buttons = [...form.elements].filter((element) => element.type === "submit");

form.addEventListener("submit", (event) => {
  event.preventDefault();
  send(event.submitter);
});

function send(button) {
  const request = new XMLHttpRequest();
  request.open("POST", button?.getAttribute("formaction") || form.getAttribute("action") || location.href);
  request.setRequestHeader("Accept", "application/json");
  request.setRequestHeader("X-Page", "1");
  request.responseType = "json";
  request.timeout = 120000;
  request.upload.addEventListener("progress", (event) => {
    if (event.lengthComputable) progress.value = (100 * event.loaded) / event.total;
  });
  request.addEventListener("load", () => answered(request));
  for (const lost of ["error", "timeout"]) request.addEventListener(lost, () => refuse([{ message: form.dataset.textOffline }]));
  busy(true);
  request.send(new FormData(form));
}

function answered(request) {
  const answer = request.response;
  if (request.status === 201 && answer?.next) location.assign(answer.next);
  else refuse(answer?.errors ?? [{ message: form.dataset.textFailed }]);
}

function busy(is) {
  buttons.forEach((button) => { button.disabled = is; });
  progress.hidden = !is;
  progress.value = 0;
}

function refuse(errors) {
  busy(false);
  form.querySelectorAll(".errorsummary:not([data-send-told])").forEach((old) => old.remove());
  told.hidden = false;
  told.querySelector("ul").replaceChildren(...errors.map(line));
  form.querySelectorAll("[aria-invalid]").forEach((field) => field.removeAttribute("aria-invalid"));
  errors.forEach((error) => fieldOf(error)?.setAttribute("aria-invalid", "true"));
  told.focus();
}

function line(error) {
  const row = document.createElement("li");
  const field = fieldOf(error);
  if (!field && !error.url) {
    row.textContent = error.message;
    return row;
  }
  const link = document.createElement("a");
  link.textContent = error.message;
  link.href = error.url ?? `#${field.id}`;
  link.addEventListener("click", () => field?.closest("details")?.setAttribute("open", ""));
  row.append(link);
  return row;
}

function fieldOf(error) {
  return error.field ? form.querySelector(`#id_${CSS.escape(error.field)}`) : null;
}
