// What every page does: the first error gets the focus, "/" searches, a scanner lands in the scan field,
// switches for theme, sound and buzz, menus that close, one sending per form, short messages.

const root = document.documentElement;
const FIELDS = "input:not([type=hidden]), select, textarea";
const remembered = (key) => { try { return localStorage.getItem(key); } catch { return null; } };
const remember = (key, value) => { try { localStorage.setItem(key, value); } catch { /* private window */ } };
const visible = (selector) => [...document.querySelectorAll(selector)].find((element) => element.offsetParent);

function fieldBehind(link) {
  const target = document.getElementById(decodeURIComponent(link.hash.slice(1)));
  return target?.matches(FIELDS) ? target : target?.querySelector(FIELDS);
}

function focusField(field) {
  const folded = field.closest("details:not([open])");
  if (folded) folded.open = true;
  field.focus();
}

// Errors of the whole form have no field: then the list itself is read first.
const summary = document.querySelector(".errorsummary");
if (summary) {
  const first = summary.querySelector("li:first-child a");
  const field = first && fieldBehind(first);
  if (field) focusField(field); else summary.focus();
  summary.addEventListener("click", (event) => {
    const link = event.target.closest("a");
    const wanted = link && fieldBehind(link);
    if (wanted) { event.preventDefault(); focusField(wanted); }
  });
}

document.addEventListener("keydown", (event) => {
  if (event.key === "Escape") closeMenus(null);
  if (remembered("keys") === "off" || event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
  if (event.target.closest("input, textarea, select, [contenteditable]")) return;
  if (event.key === "/") search(event);
  else if (event.key.length === 1 && event.key !== " ") visible("input[data-scan]")?.focus();
});

function search(event) {
  const box = visible("[data-search]");
  const page = visible("[data-search-page]");
  if (!box && !page) return;
  event.preventDefault();
  if (box) box.focus(); else page.click();
}

function closeMenus(inside) {
  for (const menu of document.querySelectorAll("details.menu[open]")) {
    if (inside && menu.contains(inside)) continue;
    const held = menu.contains(document.activeElement);
    menu.open = false;
    if (held) menu.querySelector("summary").focus();
  }
}
document.addEventListener("click", (event) => closeMenus(event.target));

for (const button of document.querySelectorAll("[data-theme-switch]")) {
  button.hidden = false;
  button.addEventListener("click", () => {
    const dark = root.dataset.theme ? root.dataset.theme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
    root.dataset.theme = dark ? "light" : "dark";
    const secure = location.protocol === "https:" ? ";secure" : "";
    document.cookie = `theme=${root.dataset.theme};path=/;max-age=31536000;samesite=lax${secure}`;
  });
}

for (const button of document.querySelectorAll("[data-switch]")) {
  const key = button.dataset.switch;
  const show = () => {
    const state = remembered(key) === "off" ? "off" : "on";
    for (const face of button.querySelectorAll("[data-when]")) face.hidden = face.dataset.when !== state;
  };
  button.hidden = false;
  show();
  button.addEventListener("click", () => {
    remember(key, remembered(key) === "off" ? "on" : "off");
    show();
  });
}

// A second tap would be answered as a repeat; not sending it at all is quicker still. Forms that a script sends
// (their submit is prevented) and forms that only ask (a download leaves the page standing) keep their buttons.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.method !== "post" || form.target) return;
  setTimeout(() => {
    if (event.defaultPrevented) return;
    for (const button of form.elements) {
      if (button.type === "submit" && !button.disabled) { button.disabled = true; button.dataset.sent = ""; }
    }
  }, 0);
});
addEventListener("pageshow", () => {
  for (const button of document.querySelectorAll("button[data-sent]")) { button.disabled = false; delete button.dataset.sent; }
});

// Any module says something with: document.dispatchEvent(new CustomEvent("say", { detail: { text, kind } }))
const toasts = document.querySelector("[data-toasts]");
document.addEventListener("say", (event) => {
  const toast = document.createElement("p");
  toast.className = `toast ${event.detail.kind ?? ""}`;
  toast.textContent = event.detail.text;
  toasts.replaceChildren(toast);
  if (event.detail.kind !== "stop") setTimeout(() => toast.remove(), 8000);
});
