// The log page: only what the chosen kind needs, the stop card before anything else, photos collected one by one.

const form = document.querySelector("[data-log]");
const label = form.querySelector("[data-scan]");
const kinds = [...form.querySelectorAll("input[name=kind]")];
const damagedToo = form.querySelector("[data-damaged-too]");
const photos = form.querySelector("[data-photos]");
const previews = form.querySelector("[data-previews]");

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

photos.classList.add("behind");

// A phone's camera hands over one photo at a time and forgets the one before: keep them all.
let kept = [];

function keep(files) {
  const box = new DataTransfer();
  files.forEach((file) => box.items.add(file));
  photos.files = box.files;
  kept = files;
  previews.replaceChildren(...files.map(preview));
}

function preview(file) {
  const row = document.createElement("li");
  const picture = document.createElement("img");
  picture.alt = file.name;
  picture.src = URL.createObjectURL(file);
  picture.addEventListener("load", () => URL.revokeObjectURL(picture.src), { once: true });
  picture.addEventListener("error", () => picture.replaceWith(file.name), { once: true });
  const drop = document.createElement("button");
  drop.type = "button";
  drop.className = "second";
  drop.textContent = form.dataset.textDrop;
  drop.addEventListener("click", () => keep(kept.filter((other) => other !== file)));
  row.append(picture, drop);
  return row;
}

photos.addEventListener("change", () => {
  form.querySelector("[data-taken]").value = new Date().toISOString();
  keep([...kept, ...photos.files]);
});

form.addEventListener("submit", () => {
  form.elements.found_at.value = new Date().toISOString();
});

addEventListener("pageshow", (event) => { if (event.persisted) { kept = [...photos.files]; show(); } });
show();
if (!label.value && !form.querySelector("[aria-invalid]")) label.focus({ preventScroll: true });
