// The log page: only what the chosen kind needs, the stop card before anything else.
import "./photo_picker.js";

const form = document.querySelector("[data-log]");
const label = form.querySelector("[data-scan]");
const kinds = [...form.querySelectorAll("input[name=kind]")];
const damagedToo = form.querySelector("[data-damaged-too]");

function show() {
  const kind = kinds.find((input) => input.checked)?.value ?? "";
  const hurt = kind === "damaged" || (kind === "over" && damagedToo.checked);
  form.querySelectorAll("[data-for-kind]").forEach((part) => {
    part.hidden = part.dataset.forKind === "damaged" ? !hurt : part.dataset.forKind !== kind;
  });
  showStops(hurt);
}

function showStops(hurt) {
  const said = form.querySelector("input[name=stop]:checked")?.value ?? "";
  const cards = new Set(hurt ? [...form.querySelectorAll("input[name=codes]:checked")].map((code) => code.dataset.stopCard) : []);
  if (said) cards.add(said === "theft" ? "theft" : "hazard");
  form.querySelectorAll("[data-stop]").forEach((card) => {
    const was = card.hidden;
    card.hidden = !cards.has(card.dataset.stop);
    if (was && !card.hidden) card.scrollIntoView({ block: "center" });
  });
}

kinds.forEach((input) => input.addEventListener("change", () => {
  show();
  if (input.value === "rerouted") form.elements.new_store.focus();
}));
form.addEventListener("change", show);

// A scanner ends with Enter: the label is read, the piece is not yet described.
label.addEventListener("keydown", (event) => {
  if (event.key !== "Enter") return;
  event.preventDefault();
  (kinds.find((input) => input.checked) ?? kinds[0]).focus();
});

form.addEventListener("submit", () => {
  form.elements.found_at.value = new Date().toISOString();
});
form.addEventListener("outbox:kept", () => {
  show();
  label.focus({ preventScroll: true });
});

// A page kept for when there is no network knows nothing of the label and kind its address names.
if ("kept" in document.documentElement.dataset) {
  const asked = new URLSearchParams(location.search);
  const kind = kinds.find((input) => input.value === asked.get("kind"));
  label.value ||= asked.get("label") ?? "";
  if (kind) kind.checked = true;
}

addEventListener("pageshow", (event) => { if (event.persisted) show(); });
show();
if (!label.value && !form.querySelector("[aria-invalid]")) label.focus({ preventScroll: true });
