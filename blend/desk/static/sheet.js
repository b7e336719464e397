// Sheets: one cell at a time can be reached by keyboard, typed into and pasted at.

import { storeOf } from "./stores.js";

// The cell that is open, so that a reload finds it open again; in this window and no other.
const TYPING = "desk-typing";
const store = storeOf("sessionStorage");

let send;
let bookId;
let open = null; // { cell, input, before, book }
let at = {}; // by table: where the keyboard stands, as [row id, column]

const sheetOf = (element) => element.closest(".sheet");
const tableOf = (element) => sheetOf(element).dataset.table;
const rowOf = (cell) => cell.closest("tr").dataset.row;
const typed = (cell) => cell.dataset.column !== undefined;

export function beginSheets(sender, book) {
  send = sender;
  bookId = book;
  document.addEventListener("desk:fresh", refresh);
  document.addEventListener("keydown", onKey);
  document.addEventListener("dblclick", (event) => begin(event.target.closest?.("td[data-column]")));
  document.addEventListener("click", onClick);
  document.addEventListener("focusin", onFocus);
  document.addEventListener("paste", onPaste);
  document.addEventListener("copy", onCopy);
  document.addEventListener("toggle", onFold, true);
  refresh();
  openAgain();
}

function refresh() {
  unfold();
  moveOpen();
  paint();
  for (const sheet of document.querySelectorAll(".sheet")) {
    const table = sheet.dataset.table;
    const cell = (at[table] && find(sheet, ...at[table])) || sheet.querySelector("tbody td");
    if (!cell) continue;
    sheet.querySelectorAll("tbody td[tabindex='0']").forEach((each) => (each.tabIndex = -1));
    cell.tabIndex = 0;
    // a sheet that was made anew takes the keyboard back to where it stood
    if (at.focused === table && document.activeElement === document.body) cell.focus();
  }
}

const find = (sheet, row, column) =>
  sheet.querySelector(`tr[data-row="${CSS.escape(row)}"] td[data-column="${CSS.escape(column)}"]`);

/** Faults and figures that came with the last answer. */
function paint() {
  const marks = JSON.parse(document.querySelector("#marks")?.textContent || "{}");
  for (const cell of document.querySelectorAll(".sheet td.fault")) {
    cell.classList.remove("fault");
    cell.removeAttribute("title");
    cell.removeAttribute("aria-invalid");
  }
  for (const [table, faults] of Object.entries(marks.faults || {})) {
    const sheet = document.querySelector(`#grid-${CSS.escape(table)}`);
    if (!sheet) continue;
    for (const [row, column, words] of faults) {
      const cell = find(sheet, String(row), column) || sheet.querySelector(`tr[data-row="${row}"] td`);
      if (!cell) continue;
      cell.classList.add("fault");
      cell.title = words;
      cell.setAttribute("aria-invalid", "true");
    }
  }
  for (const row of document.querySelectorAll("#grid-lots tbody tr")) standing(row, marks.lots || {});
}

/** How the lot of a row stands in the plan, by the id that is in its cell now. */
function standing(row, lots) {
  const used = row.querySelector("[data-lot-used]");
  const named = row.querySelector("td[data-column='lot_id']");
  if (!used || !named || open?.cell === named) return;
  const id = named.textContent.trim();
  used.textContent = lots[id]?.[0] ?? "";
  row.querySelector("[data-lot-worth]").textContent = lots[id]?.[1] ?? "";
  const why = row.querySelector("[data-lot-why]");
  if (!id) return why.replaceChildren();
  const link = why.querySelector("a") ?? document.createElement("a");
  link.textContent = "why";
  link.href = `/grinder/lot/${encodeURIComponent(id)}`;
  link.setAttribute("aria-label", `Why lot ${id} is used, or not`);
  link.tabIndex = -1;
  if (!link.isConnected) why.replaceChildren(link);
}

// What was folded open stays open when its part is made anew.
const unfolded = new Set();

function onFold(event) {
  const { id, open: isOpen } = event.target;
  if (id && isOpen) unfolded.add(id);
  else unfolded.delete(id);
}

function unfold() {
  for (const id of unfolded) {
    const folded = document.getElementById(id);
    if (folded) folded.open = true;
  }
}

// Moving ------------------------------------------------------------------------------------------

function onFocus(event) {
  const cell = event.target.closest?.(".sheet tbody td");
  if (!cell) {
    if (!event.target.closest?.(".sheet")) at.focused = null;
    return;
  }
  const table = tableOf(cell);
  sheetOf(cell).querySelectorAll("tbody td[tabindex='0']").forEach((each) => (each.tabIndex = -1));
  cell.tabIndex = 0;
  at.focused = table;
  if (typed(cell)) at[table] = [rowOf(cell), cell.dataset.column];
}

const MOVES = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] };

function move(cell, down, right, counts = () => true) {
  const rows = [...sheetOf(cell).querySelectorAll("tbody tr")];
  const cells = (row) => [...row.querySelectorAll("td")].filter(counts);
  const row = rows.indexOf(cell.closest("tr"));
  const place = cells(rows[row]).indexOf(cell);
  const next = rows[row + down] && cells(rows[row + down])[place + right];
  next?.focus();
  next?.scrollIntoView({ block: "nearest", inline: "nearest" });
}

function onKey(event) {
  if (open) return onKeyWhileOpen(event);
  const cell = event.target.closest?.(".sheet tbody td");
  if (!cell || event.target !== cell) return;
  if (MOVES[event.key]) {
    event.preventDefault();
    move(cell, ...MOVES[event.key]);
  } else if (event.key === "Home" || event.key === "End") {
    event.preventDefault();
    const cells = [...cell.closest("tr").querySelectorAll("td")];
    cells.at(event.key === "Home" ? 0 : -1).focus();
  } else if (event.key === "Enter" && cell.querySelector("a")) {
    event.preventDefault();
    cell.querySelector("a").click();
  } else if (event.ctrlKey || event.metaKey || event.altKey || !typed(cell)) {
    return;
  } else if (event.key === "Enter" || event.key === "F2") {
    event.preventDefault();
    begin(cell);
  } else if (event.key === "Delete" || event.key === "Backspace") {
    event.preventDefault();
    if (cell.textContent) change(cell, "");
  } else if (event.key.length === 1) {
    event.preventDefault();
    begin(cell, event.key);
  }
}

// Typing ------------------------------------------------------------------------------------------

function begin(cell, text, caret) {
  if (!cell || open) return;
  const before = cell.textContent;
  const input = document.createElement("input");
  input.value = text ?? before;
  input.setAttribute("aria-label", `${cell.dataset.column.replaceAll("_", " ")}, row ${cell.closest("tr").getAttribute("aria-rowindex")}`);
  if (cell.classList.contains("number")) input.inputMode = "decimal";
  cell.replaceChildren(input);
  open = { cell, input, before, book: bookId() };
  input.addEventListener("input", keepOpen);
  input.addEventListener("blur", () => {
    // it is still the page's where only the window is left, to look something up
    if (document.activeElement !== input && !document.body.dataset.putting) finish(true);
  });
  input.focus();
  if (text === undefined) input.select();
  else if (caret) input.setSelectionRange(...caret);
  keepOpen();
}

function keepOpen() {
  const { cell, input, book } = open;
  const where = { book, table: tableOf(cell), row: rowOf(cell), column: cell.dataset.column };
  store.set(TYPING, JSON.stringify({ ...where, text: input.value }));
}

/** A sheet that was made anew under the hand that types in it: the typing goes on in the new one. */
function moveOpen() {
  if (!open || open.cell.isConnected) return;
  const { cell, input, book } = open;
  open = null;
  const sheet = document.querySelector(`#grid-${CSS.escape(tableOf(cell))}`);
  const same = book === bookId() && sheet && find(sheet, rowOf(cell), cell.dataset.column);
  if (same) begin(same, input.value, [input.selectionStart, input.selectionEnd]);
}

function openAgain() {
  const left = JSON.parse(store.get(TYPING));
  const sheet = left?.book === bookId() && document.querySelector(`#grid-${CSS.escape(left.table)}`);
  const cell = sheet && find(sheet, left.row, left.column);
  if (!cell) return;
  const folded = cell.closest("details");
  if (folded) folded.open = true;
  begin(cell, left.text);
}

function onKeyWhileOpen(event) {
  if (event.isComposing) return; // the key ends a letter, not the cell
  const { cell } = open;
  if (event.key === "Escape") {
    finish(false);
    cell.focus();
  } else if (event.key === "Enter") {
    event.preventDefault();
    finish(true);
    cell.focus();
    move(cell, event.shiftKey ? -1 : 1, 0);
  } else if (event.key === "Tab") {
    event.preventDefault();
    finish(true);
    cell.focus();
    move(cell, 0, event.shiftKey ? -1 : 1, typed);
  } else if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "s") {
    event.preventDefault();
    finish(true);
    cell.focus();
    send("/save", {});
  }
}

function finish(keeps) {
  if (!open) return;
  const { cell, input, before } = open;
  open = null;
  store.remove(TYPING);
  const text = keeps ? input.value : before;
  cell.textContent = text;
  if (keeps && text !== before) change(cell, text);
}

/** The parts of the page that follow from the tables; a cell is changed in its sheet at once. */
export const aside = () =>
  [...document.querySelectorAll("[data-part]")].map((part) => part.id).filter((id) => !id.startsWith("grid-"));

/** Show a text in the cell of a sheet, where that is on the page. */
export function show(table, row, column, text) {
  const sheet = document.querySelector(`#grid-${CSS.escape(table)}`);
  const cell = sheet && find(sheet, row, column);
  if (cell && open?.cell !== cell) cell.textContent = text;
}

function change(cell, text) {
  cell.textContent = text;
  const [table, row, column] = [tableOf(cell), rowOf(cell), cell.dataset.column];
  const fields = { row, column, text, parts: aside().join(",") };
  send(`/tables/${table}/cell`, fields, { cells: [[table, row, column, text]] });
}

/** A sheet made anew takes over what the hand did in the old one and the desk does not know. */
export function replaceSheet(old, fresh) {
  const { scrollLeft, scrollTop } = old.querySelector(".grid-scroll");
  const marked = [...old.querySelectorAll(".mark-row:checked")].map(rowOf);
  const focused = document.activeElement;
  // its tools are the same, with the file that was chosen and the text that is looked for
  fresh.querySelector(".tools").replaceWith(old.querySelector(".tools"));
  old.replaceWith(fresh);
  fresh.querySelector(".grid-scroll").scrollTo(scrollLeft, scrollTop);
  for (const box of fresh.querySelectorAll(".mark-row")) box.checked = marked.includes(rowOf(box));
  if (fresh.contains(focused)) focused.focus();
}

// Rows, pasting, copying --------------------------------------------------------------------------

function onClick(event) {
  const cell = event.target.closest?.(".sheet tbody td");
  if (cell && !open) {
    if (document.activeElement === cell && typed(cell) && matchMedia("(pointer: coarse)").matches) begin(cell);
    else cell.focus();
  }
  const button = event.target.closest?.("[data-sheet]");
  if (!button) return;
  const sheet = sheetOf(button);
  const table = sheet.dataset.table;
  const row = at[table] && find(sheet, ...at[table]) ? at[table][0] : "";
  if (button.dataset.sheet === "add") {
    send(`/tables/${table}/add`, { row });
  } else if (button.dataset.sheet === "remove") {
    const rows = [...sheet.querySelectorAll(".mark-row:checked")].map(rowOf);
    if (rows.length) send(`/tables/${table}/remove`, { rows: rows.join(",") });
  } else {
    pasteFromButton(sheet);
  }
}

async function pasteFromButton(sheet) {
  try {
    paste(sheet, await navigator.clipboard.readText());
  } catch {
    // a browser that does not hand the clipboard to a button still pastes by keyboard
    sheet.querySelector("tbody td")?.focus();
  }
}

function onPaste(event) {
  const cell = event.target.closest?.(".sheet td, .sheet table");
  if (!cell || open) return;
  event.preventDefault();
  paste(sheetOf(cell), event.clipboardData.getData("text/plain"));
}

function paste(sheet, text) {
  const table = sheet.dataset.table;
  const [row, column] = at[table] ?? ["", ""];
  const shown = [...sheet.querySelectorAll("thead th[data-name]")].map((each) => each.dataset.name);
  if (text) send(`/tables/${table}/paste`, { row, column, text, shown: shown.join("\t") });
}

function onCopy(event) {
  const cell = event.target.closest?.(".sheet tbody td");
  if (!cell || open || String(getSelection())) return;
  event.preventDefault();
  event.clipboardData.setData("text/plain", cell.textContent);
}
