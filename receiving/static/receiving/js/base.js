// What every page does: focus the first error, "/" for search, theme, sound and buzz switches, closing of menus.

const root = document.documentElement;

document.querySelector(".errorsummary")?.focus();

document.addEventListener("keydown", (event) => {
  if (event.key === "Escape") document.querySelectorAll("details.menu[open]").forEach((menu) => menu.removeAttribute("open"));
  if (event.key !== "/" || event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.target.closest("input, textarea, select, [contenteditable]")) return;
  const box = [...document.querySelectorAll("[data-search]")].find((input) => input.offsetParent);
  if (box) { event.preventDefault(); box.focus(); }
});

document.addEventListener("click", (event) => {
  document.querySelectorAll("details.menu[open]").forEach((menu) => {
    if (!menu.contains(event.target)) menu.removeAttribute("open");
  });
});

document.querySelectorAll("[data-theme-switch]").forEach((button) => {
  button.hidden = false;
  button.addEventListener("click", () => {
    const dark = root.dataset.theme ? root.dataset.theme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
    root.dataset.theme = dark ? "light" : "dark";
    document.cookie = `theme=${root.dataset.theme};path=/;max-age=31536000;samesite=lax`;
  });
});

document.querySelectorAll("[data-switch]").forEach((button) => {
  const key = button.dataset.switch;
  const show = () => button.setAttribute("aria-pressed", String(localStorage.getItem(key) !== "off"));
  button.hidden = false;
  show();
  button.addEventListener("click", () => {
    localStorage.setItem(key, localStorage.getItem(key) === "off" ? "on" : "off");
    show();
  });
});

document.querySelectorAll("form").forEach((form) => {
  form.addEventListener("submit", () => {
    // A second tap would be answered as a repeat; not sending it at all is quicker still.
    setTimeout(() => form.querySelectorAll("button:not([type=button])").forEach((button) => { button.disabled = true; }), 0);
  });
});
addEventListener("pageshow", () => document.querySelectorAll("form button[disabled]").forEach((button) => { button.disabled = false; }));
