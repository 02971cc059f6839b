// The page for an address that is not kept: what is kept instead, and another try.
import { moment } from "./moments.js";
import { ask } from "./worker.js";
import { look } from "./network.js";

const list = document.querySelector("[data-kept-list]");
const again = document.querySelector("[data-again]");

again.hidden = false;
again.addEventListener("click", () => location.reload());
document.addEventListener("network", ({ detail }) => { if (!detail.offline) location.reload(); });
look();

const { pages } = await ask({ type: "list" });
const rank = ({ address }) => (/\/doors\/$/.test(address) ? 0 : 1);
pages.sort((one, other) => rank(one) - rank(other) || one.address.localeCompare(other.address, undefined, { numeric: true }));
for (const { address, title, at } of pages.filter(({ address }) => !address.includes("?"))) {
  const row = document.createElement("li");
  const link = document.createElement("a");
  const when = document.createElement("small");
  link.href = address;
  link.textContent = new DOMParser().parseFromString(title, "text/html").body.textContent.split(" · ")[0];
  when.textContent = moment(at);
  link.append(" ", when);
  row.append(link);
  list.querySelector("ul").append(row);
}
list.hidden = pages.length === 0;
document.querySelector("[data-kept-none]").hidden = pages.length > 0;
