// Where a piece was found suggests whose doing it was, until somebody says so.

const form = document.querySelector("[data-suggested]");
const suggested = JSON.parse(form.dataset.suggested);
const doings = [...form.querySelectorAll("input[name=attribution]")];
let said = Boolean(doings.find((input) => input.checked)?.value);

doings.forEach((input) => input.addEventListener("change", () => { said = true; }));
form.querySelectorAll("input[name=where_found]").forEach((place) => {
  place.addEventListener("change", () => {
    const usual = doings.find((input) => input.value === suggested[place.value]);
    if (!said && usual) usual.checked = true;
  });
});
