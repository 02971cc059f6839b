// A form that takes a while says so: its button rests and a bar moves until the next page comes.
function rest(form, button) {
  const bar = document.createElement("progress");
  bar.setAttribute("aria-label", form.dataset.busy);
  button.after(bar);
  button.dataset.words = button.textContent;
  button.textContent = form.dataset.busy;
  button.disabled = true;
}

function wake(form) {
  form.querySelectorAll("progress").forEach((bar) => bar.remove());
  form.querySelectorAll("button[data-words]").forEach((button) => {
    button.textContent = button.dataset.words;
    button.disabled = false;
  });
}

for (const form of document.querySelectorAll("form[data-busy]")) {
  form.addEventListener("submit", () => {
    const button = form.querySelector("button.main");
    // After this turn, so that the button's own value is still sent.
    if (button) setTimeout(() => rest(form, button));
  });
  window.addEventListener("pageshow", (event) => event.persisted && wake(form));
}
