// Numbers that are dragged or typed next to a sheet: each step goes to the sheet at once, and the plan
// comes back while the hand is still moving. An input with data-slide, data-table, data-row,
// data-column; data-scale and data-decimals say how its value is written into the cell, data-also
// names a column that moves with it. Inputs of one cell follow each other.
// A select with data-choose="name" picks what is tried: its value goes into the address.

import { aside, show } from "./grid.js";

const AT_ONCE_MS = 40;

const twins = ({ dataset: { table, row, column } }) =>
  document.querySelectorAll(
    `[data-slide][data-table="${CSS.escape(table)}"][data-row="${CSS.escape(row)}"][data-column="${CSS.escape(column)}"]`,
  );

export function beginSliders(send, ask, newName) {
  let last = 0;
  let later = 0;
  let group = "";
  const push = (input) => {
    last = performance.now();
    const { table, row, column, also = "", scale = "1", decimals = "2" } = input.dataset;
    if (input.value === "" || !Number.isFinite(Number(input.value))) return;
    const text = String(Number((Number(input.value) * Number(scale)).toFixed(Number(decimals))));
    const own = input.closest("[data-part]")?.id;
    const parts = aside().filter((id) => id !== own).join(",");
    const cells = [column, ...(also ? [also] : [])].map((each) => [table, row, each, text]);
    cells.forEach((cell) => show(...cell));
    if (!also) return send(`/tables/${table}/cell`, { row, column, text, group, parts }, { cells });
    const block = `${column}\t${also}\n${text}\t${text}`;
    send(`/tables/${table}/paste`, { row, column, text: block, group, parts }, { cells });
  };
  document.addEventListener("input", (event) => {
    const input = event.target;
    if (!input.matches("[data-slide]")) return;
    for (const twin of twins(input)) if (twin !== input) twin.value = input.value;
    hold(input);
    if (input.type !== "range") return; // a number half typed is none yet
    group ||= newName();
    clearTimeout(later);
    // one step on the way is enough: what comes after replaces it
    if (!document.body.dataset.busy && performance.now() - last > AT_ONCE_MS) push(input);
    else later = setTimeout(() => push(input), AT_ONCE_MS);
  });
  document.addEventListener("change", (event) => {
    const input = event.target;
    if (input.matches("[data-choose]")) return choose(input);
    if (!input.matches("[data-slide]")) return;
    clearTimeout(later);
    push(input);
    group = "";
    letGo(input);
  });
  document.addEventListener("focusout", ({ target }) => target.matches("[data-slide]") && letGo(target));
  // The part in use is not rebuilt under the user.
  const hold = (input) => (input.closest("[data-part]").dataset.held ||= "yes");
  const letGo = (input) => {
    const part = input.closest("[data-part]");
    if (part.dataset.held === "missed") ask([part.id]);
    delete part.dataset.held;
  };
  const choose = (select) => {
    const address = new URL(location.href);
    address.searchParams.set(select.dataset.choose, select.value);
    history.replaceState(null, "", address);
    ask([select.closest("[data-part]").id]);
  };
}
