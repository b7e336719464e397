// Ctrl+K: every page, sheet and help topic, and any lot by its number, found by typing.

const dialog = document.querySelector("#palette");
const field = dialog.querySelector("input");
const list = dialog.querySelector("ul");
const links = [...list.querySelectorAll("a[href]")];
const ofLot = links.filter((link) => link.dataset.lot);
let at = 0;

const shown = () => links.filter((link) => !link.parentElement.hidden);

function narrow() {
  const words = field.value.toLowerCase().split(/\s+/).filter(Boolean);
  for (const link of links) {
    const { lot } = link.dataset;
    if (lot) {
      link.href = lot + encodeURIComponent(field.value.trim());
      link.querySelector("b").textContent = field.value.trim();
    }
    const text = link.textContent.toLowerCase();
    link.parentElement.hidden = lot ? !words.length : !words.every((word) => text.includes(word));
  }
  mark(0);
}

function mark(place) {
  const all = shown();
  at = Math.max(0, Math.min(place, all.length - 1));
  all.forEach((link, each) => link.classList.toggle("chosen", each === at));
  all[at]?.scrollIntoView({ block: "nearest" });
  field.setAttribute("aria-activedescendant", all[at]?.id ?? "");
}

function open() {
  field.value = "";
  dialog.showModal();
  narrow();
}

addEventListener("keydown", (event) => {
  if (!(event.ctrlKey || event.metaKey) || event.key.toLowerCase() !== "k") return;
  event.preventDefault();
  if (dialog.open) dialog.close();
  else open();
}, true);
document.querySelector("[data-palette]").addEventListener("click", open);
field.addEventListener("input", narrow);
field.addEventListener("keydown", (event) => {
  if (event.key === "ArrowDown") mark(at + 1);
  else if (event.key === "ArrowUp") mark(at - 1);
  else if (event.key === "Enter") shown()[at]?.click();
  else return;
  event.preventDefault();
});

const tour = document.querySelector("[data-points-at]");
const pointed = tour && [...document.querySelectorAll(tour.dataset.pointsAt)].find((each) => each.getClientRects().length);
if (pointed) {
  pointed.classList.add("pointed");
  pointed.scrollIntoView({ block: "center" });
}
