// The note's text: a figure is put in where the text stands, and a line named in a message is shown.

const text = () => document.querySelector("#text");

document.querySelector("#insert")?.addEventListener("click", () => {
  const field = document.querySelector("#figure");
  const chosen = [...document.querySelectorAll("#figures option")].find(
    (option) => option.value === field.value.trim()
  );
  field.setCustomValidity(chosen ? "" : "No figure of the note has this id.");
  if (!chosen) return field.reportValidity();
  const { selectionStart, selectionEnd } = text();
  text().setRangeText(chosen.dataset.mark, selectionStart, selectionEnd, "end");
  text().dispatchEvent(new Event("input", { bubbles: true }));
  text().focus();
});

document.querySelector("#figure")?.addEventListener("input", (event) => {
  event.target.setCustomValidity("");
});

document.querySelector("#figure")?.addEventListener("keydown", (event) => {
  if (event.key !== "Enter") return;
  event.preventDefault(); // Enter in this field puts the figure in; it does not sign
  document.querySelector("#insert").click();
});

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-line]");
  if (!button) return;
  const lines = text().value.split("\n");
  const line = Math.min(Number(button.dataset.line), lines.length);
  const start = lines.slice(0, line - 1).reduce((sum, each) => sum + each.length + 1, 0);
  text().focus();
  text().setSelectionRange(start, start + lines[line - 1].length);
  text().scrollTop = (text().scrollHeight * (line - 3)) / lines.length;
});
