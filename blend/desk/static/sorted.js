// Result tables that can be put in order by a heading: in a section with data-sortable. The order
// chosen stays when the table comes again.

const chosen = new Map(); // by id of the table's title: [column, is falling]

const valueOf = (row, column) => {
  const text = row.cells[column].textContent.trim();
  const number = Number(text.replace(/[$,%]/g, ""));
  return text === "" ? null : Number.isNaN(number) ? text : number;
};

function compare(a, b) {
  if (a === null || b === null) return (a === null) - (b === null);
  if (typeof a !== typeof b) return typeof a === "number" ? -1 : 1;
  return typeof a === "number" ? a - b : a.localeCompare(b);
}

function order(section, column, isFalling) {
  const body = section.querySelector("tbody");
  const rows = [...body.rows].map((row) => [valueOf(row, column), row]);
  // blanks stay last either way
  rows.sort(([a], [b]) => (isFalling && a !== null && b !== null ? -1 : 1) * compare(a, b));
  body.append(...rows.map(([, row]) => row));
  section.querySelectorAll("thead th").forEach((head, at) => {
    if (at === column) head.setAttribute("aria-sort", isFalling ? "descending" : "ascending");
    else head.removeAttribute("aria-sort");
  });
}

export function makeSortable(root) {
  for (const section of root.querySelectorAll("[data-sortable]:not([data-sorts])")) {
    section.dataset.sorts = "yes";
    const key = section.querySelector("[id]").id;
    [...section.querySelector("thead tr").cells].forEach((head, column) => {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "sort";
      button.append(...head.childNodes);
      head.append(button);
      button.addEventListener("click", () => {
        const isFalling = head.getAttribute("aria-sort") !== "descending" && (head.classList.contains("right") || head.getAttribute("aria-sort") === "ascending");
        chosen.set(key, [column, isFalling]);
        order(section, column, isFalling);
      });
    });
    if (chosen.has(key)) order(section, ...chosen.get(key));
  }
}
