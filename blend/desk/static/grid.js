// The sheets: Tabulator shows, sorts, filters and selects; this file adds what a spreadsheet does with
// keyboard and clipboard, and what screen readers need. Cells hold text as typed; the desk checks it.

import { storeOf } from "./stores.js";

// The cell that is open, so that a reload finds it open again; in this window and no other.
const TYPING = "desk-typing";
const store = storeOf("sessionStorage");
const ROW_PX = 28;
const HEAD_PX = 96;
const CHARACTER_PX = 7.6;
const PLAIN_KEY = /^.$/u;

const grids = new Map(); // by table
const isCoarse = matchMedia("(pointer: coarse)");
let Tabulator;
let send;
let ask;
let bookId;
let open = null; // the cell being typed in: { grid, row, column, input, finish }
let current = null; // the grid that has the keyboard

const json = (id) => JSON.parse(document.getElementById(id)?.textContent || "null");
const marks = () => json("marks") ?? {};

export async function beginGrids(sender, asker, book) {
  send = sender;
  ask = asker;
  bookId = book;
  if (!document.querySelector(".grid")) return;
  ({ TabulatorFull: Tabulator } = await import(`${document.body.dataset.packaged}/grid.js`));
  await Promise.all([...document.querySelectorAll(".sheet")].map(makeInSight));
  document.addEventListener("toggle", ({ target }) => target.open && target.querySelectorAll(".sheet").forEach(makeInSight), true);
  document.addEventListener("desk:fresh", () => grids.forEach((grid) => grid.paint()));
  document.addEventListener("click", onClick);
  for (const event of ["copy", "cut", "paste"]) document.addEventListener(event, onClipboard);
  for (const event of ["focusin", "pointerdown"]) document.addEventListener(event, noteCurrent, true);
  await openAgain();
  await openNamed();
}

/** The cell that the address names: of a link from an error page. */
async function openNamed() {
  const [, table, row, column] = location.hash.match(/^#cell-(\w+)-(\d+)-(\w*)$/) ?? [];
  if (table) (await reach(table))?.goTo(row, column);
}

/** A sheet is made once it can be seen: a folded one has no height to fill. */
async function makeInSight(section) {
  const { table } = section.dataset;
  if (grids.has(table) || !section.querySelector(".grid").offsetParent) return;
  const grid = makeGrid(section);
  grids.set(table, grid);
  await grid.built;
  grid.paint();
}

const noteCurrent = ({ target }) => {
  current = [...grids.values()].find((grid) => grid.place.contains(target)) ?? null;
};

async function openAgain() {
  const left = JSON.parse(store.get(TYPING));
  const section = left?.book === bookId() && document.querySelector(`.sheet[data-table="${CSS.escape(left.table)}"]`);
  if (!section) return;
  const folded = section.closest("details");
  if (folded) folded.open = true;
  await makeInSight(section);
  grids.get(left.table)?.goTo(left.row, left.column, left.text);
}

// What the page asks of the sheets -----------------------------------------------------------------

/** The parts that follow from the tables at once; a cell is changed in its sheet already. */
export const aside = () =>
  [...document.querySelectorAll("[data-part='']")].map((part) => part.id).filter((id) => !id.startsWith("grid-"));

/** Show a text in the cell of a sheet, where that is on the page. */
export const show = (table, row, column, text) => grids.get(table)?.show(row, column, text);

/** The rows of a sheet came from the desk, in the part of this id. */
export const takeRows = (id) => grids.get(id.replace(/^grid-/, ""))?.take();

function change(table, edits) {
  const cells = edits.map(({ row, column, text }) => [table, row, column, text]);
  cells.forEach((cell) => show(...cell));
  if (edits.length) send(`/tables/${table}/cell`, { edits: JSON.stringify(edits), parts: aside().join(",") }, { cells });
}

function onClick(event) {
  const button = event.target.closest?.("button, a[data-goto]");
  if (!button) return;
  if (button.matches("a")) event.preventDefault(); // the sheet is on this page
  const { sheet, goto, use, filter } = button.dataset;
  if (sheet) grids.get(button.closest(".sheet").dataset.table)?.act(sheet, button);
  if (goto) reach(goto, `#cell-${goto}-${button.dataset.row}-${button.dataset.column}`).then((grid) => grid?.goTo(button.dataset.row, button.dataset.column));
  if (use) change(use, [{ row: Number(button.dataset.row), column: button.dataset.column, text: button.dataset.text }]);
  if (filter) reach(filter).then((grid) => grid?.filter(button.dataset.text));
}

/** The sheet of a table, opened where it is folded; another page where this one has none. */
async function reach(table, cell = "") {
  const section = document.querySelector(`.sheet[data-table="${CSS.escape(table)}"]`);
  if (!section) return void location.assign(`/tables/${table}${cell}`);
  const folded = section.closest("details");
  if (folded) folded.open = true;
  await makeInSight(section);
  section.scrollIntoView({ block: "center" });
  return grids.get(table);
}

function onClipboard(event) {
  const isInCell = current && !open && !document.activeElement.matches("input, textarea, select");
  if (!isInCell || (event.type !== "paste" && String(getSelection()) && !current.hasRange())) return;
  event.preventDefault();
  if (event.type === "paste") return current.paste(event.clipboardData.getData("text/plain"));
  event.clipboardData.setData("text/plain", current.copied());
  if (event.type === "cut") current.fill("");
}

const quoted = (text) => (/["\t\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text);

// One sheet ------------------------------------------------------------------------------------------

function makeGrid(section) {
  const name = section.dataset.table;
  const place = section.querySelector(".grid");
  let { columns, rows, id_column: idColumn } = json(`grid-${name}`);
  let faults = new Map(); // by row and column
  let isMissed = false; // rows came while a cell was open
  let hidesBlank = rows.length > 0;
  let step = null; // where to go when the open cell closes, by the key that closed it

  const pinned = idColumn || columns[0]?.name;
  const fieldOf = (column) => `c${columns.findIndex((each) => each.name === column)}`;
  const columnOf = (cell) => columns[cell.getField()?.slice(1)];
  const keyOf = (row, column) => `${row}\u0000${column}`;
  const toData = ([id, number, ...cells]) => ({ id, number, ...Object.fromEntries(cells.map((text, at) => [`c${at}`, text])), ...lotFields(cells) });
  const lotFields = (cells) => {
    if (name !== "lots") return {};
    const [used = "", breakEven = ""] = marks().lots?.[cells[columns.findIndex((each) => each.name === idColumn)].trim()] ?? [];
    return { used, breakEven };
  };

  const format = (cell) => {
    const element = cell.getElement();
    const column = columnOf(cell);
    if (column) Object.assign(element.dataset, { column: column.name, row: cell.getData().id });
    const fault = column && faults.get(keyOf(cell.getData().id, column.name));
    element.classList.toggle("bad", Boolean(fault));
    const text = shownIn(column, cell.getData()[cell.getField()]);
    if (!fault) {
      for (const each of ["title", "aria-invalid"]) element.removeAttribute(each);
      return document.createTextNode(text);
    }
    element.title = fault.words;
    element.setAttribute("aria-invalid", "true");
    const shown = document.createElement("span");
    shown.className = "typed";
    shown.append(text);
    if (fault.suggestion) shown.append(useButton(cell, column, fault.suggestion));
    return shown;
  };

  /** A stored word as people read it: $/cwt. */
  const shownIn = (column, text) => column?.shown?.[text] ?? text ?? "";

  const useButton = (cell, column, text) => {
    const button = document.createElement("button");
    button.textContent = text;
    button.title = `Change to ${text}`;
    button.tabIndex = -1; // the keyboard reaches the one in the list of problems
    Object.assign(button.dataset, { use: name, row: cell.getData().id, column: column.name, text });
    button.addEventListener("mousedown", (event) => event.stopPropagation());
    return button;
  };

  const whyLink = (cell) => {
    const lot = cell.getData()[fieldOf(idColumn)].trim();
    if (!lot) return "";
    const link = document.createElement("a");
    link.textContent = "why";
    link.href = `/grinder/lot/${encodeURIComponent(lot)}`;
    link.setAttribute("aria-label", `Why lot ${lot} is used, or not`);
    link.tabIndex = -1;
    return link;
  };

  const titled = (title, hint) => ({
    title,
    titleFormatter: () => {
      const made = document.createElement("span");
      made.textContent = title;
      made.title = hint;
      return made;
    },
  });

  const numberOf = (text) => {
    const number = parseFloat(String(text).replace(/[$,\s%]/g, ""));
    return Number.isNaN(number) ? Infinity : number;
  };

  const widthOf = (column, at) => {
    const longest = Math.max(6, ...rows.slice(0, 200).map((row) => Math.min(shownIn(column, row[at + 2]).length, 26)), ...column.title.split(" ").map((word) => word.length + 2));
    return Math.round(longest * CHARACTER_PX) + 24;
  };

  const isShown = (column) => !column.is_blank || !hidesBlank;
  const definitions = () => {
    const made = columns.map((column, at) => ({
      ...titled(column.title, column.hint),
      field: `c${at}`,
      width: widthOf(column, at),
      visible: isShown(column),
      cssClass: column.name === pinned ? "pinned" : column.is_known ? "known" : "unknown",
      hozAlign: column.kind === "number" ? "right" : "left",
      sorter: column.kind === "number" ? (a, b) => numberOf(a) - numberOf(b) : "alphanum",
      formatter: format,
      editor,
      headerFilter: "input",
      headerFilterParams: { elementAttributes: { "aria-label": `Filter ${column.title}` } },
    }));
    if (name === "lots") made.splice(2, 0, ...liveColumns);
    return made;
  };

  const liveColumns = [
    { ...titled("Used, lb", "Pounds of the lot in today's blends, before losses, as if combos could be split."), field: "used", width: 84, hozAlign: "right", cssClass: "live", formatter: format, sorter: (a, b) => numberOf(a) - numberOf(b) },
    { ...titled("Break-even, $/cwt", "The price up to which the next pound pays in the blend that needs it most, delivered, as if combos could be split. Above the delivered price: buy more."), field: "breakEven", width: 96, hozAlign: "right", cssClass: "live", formatter: format, sorter: (a, b) => numberOf(a) - numberOf(b) },
    { ...titled("Why", "Why the lot is used, or not."), field: "why", width: 56, cssClass: "live", formatter: whyLink, headerSort: false },
  ];

  // Typing ---------------------------------------------------------------------------------------

  let beginning = null; // the text a cell is opened with, where it is not its own

  function editor(cell, onRendered, success, cancel) {
    const column = columnOf(cell);
    const before = cell.getValue();
    const [text, caret] = beginning ?? [column.words.length ? "" : before, null];
    let isTouched = beginning !== null;
    beginning = null;
    const input = document.createElement("input");
    input.value = text;
    input.setAttribute("aria-label", `${column.title}, row ${cell.getData().number}`);
    input.autocomplete = "off";
    if (column.kind === "number") input.inputMode = "decimal";
    if (column.words.length) {
      // a list shows the words that what stands there begins: with nothing there, all of them
      input.setAttribute("list", listOf(column));
      input.placeholder = before;
    }
    const { id } = cell.getData();
    const keep = () => store.set(TYPING, JSON.stringify({ book: bookId(), table: name, row: id, column: column.name, text: input.value }));
    const finish = (keeps) => {
      if (open?.input !== input) return;
      open = null;
      store.remove(TYPING);
      if (keeps && isTouched && input.value !== before) success(input.value);
      else cancel();
      if (isMissed) ask([`grid-${name}`]); // those that came lack what was typed since
    };
    open = { grid, row: id, column: column.name, input, finish };
    input.addEventListener("input", () => {
      isTouched = true;
      keep();
    });
    input.addEventListener("keydown", onKeyInCell);
    // it is still the page's where only the window is left, to look something up
    input.addEventListener("blur", () => document.activeElement !== input && finish(true));
    onRendered(() => {
      input.focus();
      if (isTouched) input.setSelectionRange(caret ?? text.length, caret ?? text.length);
      else input.select();
      keep();
    });
    return input;
  }

  function listOf(column) {
    const id = `words-${name}-${column.name}`;
    if (document.getElementById(id)) return id;
    const list = document.createElement("datalist");
    list.id = id;
    list.append(...column.words.map((word) => new Option(column.shown[word] ?? word, word)));
    section.append(list);
    return id;
  }

  function onKeyInCell(event) {
    event.stopPropagation();
    if (event.isComposing) return; // the key ends a letter, not the cell
    const back = event.shiftKey ? -1 : 1;
    const isSave = (event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "s";
    if (event.key === "Enter") step = [back, 0];
    else if (event.key === "Tab") step = [0, back];
    else if (event.key === "Escape" || isSave) step = [0, 0];
    else return;
    event.preventDefault();
    const { finish } = open;
    finish(event.key !== "Escape");
    if (isSave) send("/save", {});
  }

  const begin = (cell, ...given) => {
    if (!cell || !columnOf(cell)) return;
    beginning = given.length ? given : null;
    cell.edit();
    beginning = null;
  };

  const moveOn = (cell) => {
    if (!step) return;
    const [down, right] = step;
    step = null;
    const row = (down > 0 ? cell.getRow().getNextRow() : down < 0 ? cell.getRow().getPrevRow() : null) || cell.getRow();
    select(row, nextColumn(cell.getColumn(), right));
  };
  const nextColumn = (column, right) => {
    const shown = table.getColumns().filter((each) => each.isVisible() && /^c\d/.test(each.getField() ?? ""));
    return shown[shown.findIndex((each) => each.getField() === column.getField()) + right] ?? column;
  };
  const select = (row, column) => {
    const cell = row.getCell(column);
    range()?.setBounds(cell, cell);
    if (row.getElement().isConnected) cell.getElement().scrollIntoView?.({ block: "nearest", inline: "nearest" });
    place.querySelector(".tabulator-tableholder").focus({ preventScroll: true });
    focusActive();
  };

  // Selecting, copying, filling -------------------------------------------------------------------

  // Tabulator complains in the console of a row that is gone
  let ids = new Set(rows.map(([id]) => id));
  const rowOf = (id) => (ids.has(Number(id)) ? table.getRow(Number(id)) || null : null);
  const range = () => table.getRanges()[0];
  const lines = () => range()?.getStructuredCells().map((line) => line.filter(columnOf)) ?? [];
  const edit = (cell, text) => ({ row: cell.getData().id, column: columnOf(cell).name, text });
  const changeAll = (edits) => change(name, edits.filter(({ row, column, text }) => rowOf(row)?.getData()[fieldOf(column)] !== text));
  const activeCell = () => range()?.getStructuredCells()[0]?.find((cell) => cell.getField() !== "number");

  place.addEventListener("keydown", (event) => {
    // Tab leaves the sheet; Tabulator would keep it
    if (event.key === "Tab" && !open) return event.stopPropagation();
    if (open || event.target.matches("input, button, .tabulator-header *")) return;
    const key = event.key.toLowerCase();
    const isCommand = event.ctrlKey || event.metaKey;
    const cell = activeCell();
    if (isCommand && key === "d") fillDown();
    else if (isCommand || event.altKey) return;
    else if (key === "delete" || key === "backspace") grid.fill("");
    else if (key === "enter" && cell?.getElement().querySelector("a")) cell.getElement().querySelector("a").click();
    else if (key === "enter" || key === "f2") begin(cell);
    else if ((key === "home" || key === "end") && cell) {
      const shown = table.getColumns().filter((each) => each.isVisible() && each.getField());
      select(cell.getRow(), shown.at(key === "home" ? 0 : -1));
    } else if (PLAIN_KEY.test(event.key)) begin(cell, event.key);
    else return;
    event.preventDefault();
    event.stopPropagation();
  }, true);

  function fillDown() {
    const [top, ...below] = lines();
    changeAll(below.flatMap((line) => line.map((cell, at) => edit(cell, String(top[at].getValue())))));
  }

  // The handle at the corner of the selection: dragged down, it fills what it passes with the rows
  // selected, again and again.
  const handle = document.createElement("div");
  handle.className = "fill-handle";
  handle.title = "Drag down to fill";
  for (const type of ["mousedown", "click", "dblclick"]) handle.addEventListener(type, (event) => event.stopPropagation());
  handle.addEventListener("pointerdown", (event) => {
    event.stopPropagation();
    event.preventDefault();
    const source = lines();
    const [first, last] = [source[0][0], source.at(-1).at(-1)];
    let end = last;
    handle.setPointerCapture(event.pointerId);
    handle.onpointermove = ({ clientX, clientY }) => {
      const element = document.elementsFromPoint(clientX, clientY).find((each) => each.matches(".tabulator-row"));
      const row = element && table.getRows("visible").find((each) => each.getElement() === element);
      if (!row || row.getPosition() < last.getRow().getPosition()) return;
      end = row.getCell(last.getField());
      range().setBounds(first, end);
    };
    handle.onpointerup = () => {
      handle.onpointermove = handle.onpointerup = null;
      const below = lines().slice(source.length);
      changeAll(below.flatMap((line, at) => line.map((cell, place) => edit(cell, String(source[at % source.length][place].getValue())))));
    };
  });

  function placeHandle() {
    if (handle.onpointermove) return; // it is being dragged
    const corner = lines().at(-1)?.at(-1);
    const cell = corner && !open && current === grid ? corner.getElement() : null;
    if (cell?.isConnected) cell.append(handle);
    else handle.remove();
  }

  /** Rows scrolled out of sight leave the page, and would take the keyboard with them. */
  function keepFocus() {
    if (current === grid && document.activeElement === document.body) {
      place.querySelector(".tabulator-tableholder").focus({ preventScroll: true });
    }
    focusActive();
    placeHandle();
  }

  /** The first selected cell has the focus, so that screen readers follow. */
  function focusActive() {
    const holder = place.querySelector(".tabulator-tableholder");
    const cell = activeCell()?.getElement();
    if (open || !cell?.isConnected || cell === document.activeElement || !holder.contains(document.activeElement)) return;
    cell.tabIndex = -1;
    cell.focus({ preventScroll: true });
  }

  const countRows = () => {
    place.setAttribute("aria-rowcount", rows.length + 1);
    // a group of rows may not be empty: what stands there instead counts as its row
    place.querySelector(".tabulator-placeholder")?.setAttribute("role", "row");
    place.querySelector(".tabulator-placeholder-contents")?.setAttribute("role", "gridcell");
  };
  const heightFor = (count) => Math.min(count * ROW_PX + HEAD_PX, Math.max(260, innerHeight * 0.6));

  const table = new Tabulator(place, {
    data: rows.map(toData),
    index: "id",
    nestedFieldSeparator: false,
    columns: definitions(),
    height: heightFor(rows.length),
    rowHeader: { title: "#", field: "number", width: 44, frozen: true, headerSort: false, resizable: false, hozAlign: "right", cssClass: "rownum" },
    autoResize: false, // redrawing would lose the selection, and widths are fixed
    selectableRange: 1,
    selectableRangeColumns: true,
    selectableRangeRows: true,
    selectableRangeAutoFocus: false,
    headerSortClickElement: "icon",
    editTriggerEvent: "dblclick",
    columnDefaults: { headerWordWrap: true, resizable: "header" },
    rowHeight: ROW_PX,
    placeholder: "No rows yet. Add a row, paste rows from a spreadsheet, or import a file.",
    clipboard: false,
  });
  table.on("cellEdited", (cell) => {
    const { row, column, text } = edit(cell, String(cell.getValue()));
    change(name, [{ row, column, text }]);
    moveOn(cell);
  });
  table.on("cellEditCancelled", moveOn);
  table.on("cellClick", (event, cell) => {
    // on a phone a second tap opens the cell
    if (isCoarse.matches && document.activeElement === cell.getElement()) begin(cell);
  });
  for (const happening of ["rangeChanged", "scrollVertical", "renderComplete"]) table.on(happening, keepFocus);

  // What the page asks ------------------------------------------------------------------------------

  const grid = {
    place,
    built: new Promise((resolve) => table.on("tableBuilt", () => {
      nameParts(section, place, columns.length);
      countRows();
      place.querySelector(".tabulator-tableholder").addEventListener("focus", focusActive);
      resolve();
    })),
    hasRange: () => lines().flat().length > 0,
    copied: () => lines().map((line) => line.map((cell) => quoted(String(cell.getValue()))).join("\t")).join("\n"),
    fill: (text) => changeAll(lines().flat().map((cell) => edit(cell, text))),

    /** A block goes in from the top left cell; one value fills the whole selection. */
    paste(text) {
      const block = text.replace(/\r?\n$/, "");
      if (!block) return;
      if (!/[\t\n]/.test(block) && hasSelection()) return grid.fill(block);
      const start = activeCell();
      const below = table.getRows("active").map((row) => row.getData().id);
      const from = start ? below.indexOf(start.getData().id) : below.length;
      const shown = table.getColumns().filter((each) => each.isVisible()).map(columnOf).filter(Boolean).map((each) => each.name);
      send(`/tables/${name}/paste`, {
        rows: below.slice(from, from + block.split("\n").length).join(","),
        column: (start && columnOf(start)?.name) ?? "",
        text,
        shown: shown.join("\t"),
      });
    },

    show(row, column, text) {
      if (isOpen(Number(row), fieldOf(column))) return;
      if (rowOf(row)) table.updateData([{ id: Number(row), [fieldOf(column)]: text }]);
    },

    /** Faults and figures that came with the last answer. */
    paint() {
      const { faults: all = {}, lots } = marks();
      const before = faults;
      faults = new Map((all[name] ?? []).map(([row, column, words, suggestion]) => {
        const marked = columns.some((each) => each.name === column) ? column : pinned;
        return [keyOf(row, marked), { row, column: marked, words, suggestion }];
      }));
      for (const { row, column } of [...before.values(), ...faults.values()]) repaint(row, column);
      if (name !== "lots" || !lots) return;
      // not by updateData, which has the page laid out again for every row
      for (const row of table.getRows()) {
        const data = row.getData();
        const [used = "", breakEven = ""] = lots[data[fieldOf(idColumn)].trim()] ?? [];
        if (used === data.used && breakEven === data.breakEven) continue;
        Object.assign(data, { used, breakEven });
        if (!row.getElement().firstChild) continue; // not drawn yet
        for (const cell of ["used", "breakEven"].map((field) => row.getCell(field))) cell.getElement().replaceChildren(format(cell));
      }
    },

    /** Rows that came from the desk; while a cell is open, rows that come and go wait. */
    take() {
      const fresh = json(`grid-${name}`);
      const isSameColumns = fresh.columns.map(({ name: each }) => each).join() === columns.map(({ name: each }) => each).join();
      const shown = table.getData();
      const isSame = isSameColumns && shown.length === fresh.rows.length && fresh.rows.every(([id], at) => id === shown[at].id);
      isMissed = !isSame && open?.grid === grid;
      if (isMissed) return;
      ({ columns, rows } = fresh);
      ids = new Set(rows.map(([id]) => id));
      if (isSame) {
        const changed = rows.map(toData).map((data, at) => changedIn(data, shown[at])).filter((data) => Object.keys(data).length > 1);
        if (changed.length) table.updateData(changed);
        return;
      }
      if (!isSameColumns) table.setColumns(definitions());
      const at = activeCell() && [activeCell().getData().id, activeCell().getField()];
      const hadFocus = current === grid && place.contains(document.activeElement);
      table.replaceData(rows.map(toData)).then(() => {
        table.setHeight(heightFor(rows.length));
        countRows();
        const row = at && rowOf(at[0]);
        if (row) range()?.setBounds(row.getCell(at[1]), row.getCell(at[1]));
        if (hadFocus) place.querySelector(".tabulator-tableholder").focus({ preventScroll: true });
        grid.paint();
      });
    },

    goTo(row, column, text) {
      const found = rowOf(row);
      if (!found) return;
      if (!table.getColumn(fieldOf(column)).isVisible()) grid.act("blank");
      // not waited for: in a window behind another they end only when it comes to the front
      table.scrollToRow(Number(row), "center", false).catch(() => {});
      table.scrollToColumn(fieldOf(column), "middle", false).catch(() => {});
      select(found, table.getColumn(fieldOf(column)));
      if (text !== undefined) begin(found.getCell(fieldOf(column)), text);
    },

    filter(words) {
      const box = section.querySelector("[data-filter-box]");
      if (box) box.value = words;
      const asked = words.toLowerCase().split("|").map((each) => each.trim()).filter(Boolean); // any of them
      if (!asked.length) return table.clearFilter();
      table.setFilter((data) => columns.some((_, at) => asked.some((each) => String(data[`c${at}`]).toLowerCase().includes(each))));
    },

    act(what, button) {
      const rowIds = [...new Set(lines().flat().map((cell) => cell.getData().id))];
      if (what === "add") send(`/tables/${name}/add`, { row: rowIds.at(-1) ?? "" });
      else if (what === "remove" && rowIds.length) send(`/tables/${name}/remove`, { rows: rowIds.join(",") });
      else if (what === "paste") navigator.clipboard.readText().then(grid.paste, () => place.querySelector(".tabulator-tableholder").focus());
      else if (what === "filters") {
        section.classList.toggle("filtering");
        table.redraw(true);
      } else if (what === "blank") {
        hidesBlank = !hidesBlank;
        for (const each of columns) table[isShown(each) ? "showColumn" : "hideColumn"](fieldOf(each.name));
        (button ?? section.querySelector("[data-sheet=blank]")).textContent = hidesBlank ? "Show blank columns" : "Hide blank columns";
      }
    },
  };
  section.querySelector("[data-filter-box]")?.addEventListener("input", ({ target }) => grid.filter(target.value));
  /** The fields that differ, without the one that is being typed in. */
  const changedIn = (data, before) => Object.fromEntries(Object.entries(data).filter(([field, text]) => field === "id" || (text !== before[field] && !isOpen(data.id, field))));
  const isOpen = (row, field) => open?.grid === grid && open.row === row && fieldOf(open.column) === field;
  const hasSelection = () => lines().flat().length > 0;

  function repaint(row, column) {
    const cell = rowOf(row)?.getCell(fieldOf(column));
    if (cell && !isOpen(row, fieldOf(column))) cell.getElement().replaceChildren(format(cell));
  }

  return grid;
}

/** What Tabulator leaves out: the name of the grid, its count of columns, one row group in another. */
function nameParts(section, place, columnCount) {
  place.setAttribute("aria-label", section.querySelector("h2").textContent);
  place.setAttribute("aria-describedby", section.querySelector(".how").id);
  place.setAttribute("aria-colcount", columnCount + 1);
  place.querySelector(".tabulator-header-contents").setAttribute("role", "none");
  place.querySelector(".tabulator-tableholder").setAttribute("role", "rowgroup");
  place.querySelector(".tabulator-table").setAttribute("role", "none");
  place.querySelector(".tabulator-header").tabIndex = -1;
  for (const element of place.querySelectorAll(".tabulator-range-overlay, .tabulator-range-cell-active")) element.setAttribute("aria-hidden", "true");
}
