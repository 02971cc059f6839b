// What a photo shows, said by tapping a suggestion or typed. The page brings a <template data-caption> with the suggestions.
const template = document.querySelector("template[data-caption]");

/* The elements for one photo's row, none where the page has no suggestions. `say` is called with each caption. */
export function captioned(caption, say) {
  if (!template) return [];
  const box = template.content.firstElementChild.cloneNode(true);
  const summary = box.querySelector("[data-caption-said]");
  const asked = summary.textContent;
  const typed = box.querySelector("input");
  const list = box.querySelector("[data-caption-list]");
  const set = (text) => {
    summary.textContent = text || asked;
    typed.value = text;
  };
  for (const text of suggestions(list.dataset)) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "small";
    button.textContent = text;
    button.addEventListener("click", () => { set(text); box.open = false; say(text); });
    list.append(button);
  }
  typed.addEventListener("change", () => { set(typed.value.trim()); say(typed.value.trim()); });
  // Enter ends the caption, not the form.
  typed.addEventListener("keydown", (event) => { if (event.key === "Enter") { event.preventDefault(); typed.blur(); box.open = false; } });
  // A caption is of its photo, not of the form that the photo goes with.
  typed.addEventListener("input", (event) => event.stopPropagation());
  set(caption);
  return [box];
}

function suggestions({ suggested }) {
  const ticked = [...document.querySelectorAll("input[name=codes]:checked")].map((code) => code.closest("label").textContent.trim());
  return [...new Set([...ticked, ...suggested.split("|")])];
}
