// Texts being written, such as a note or what was heard: kept as they are typed.
// An element with data-draft="key" is kept whole; a form with it keeps all its fields.

const AFTER_MS = 300;
const timers = new Map();

export function beginDrafts(send) {
  const textOf = (element) =>
    element instanceof HTMLFormElement
      ? JSON.stringify(Object.fromEntries(new FormData(element)))
      : element.value;
  const save = (element) => {
    clearTimeout(timers.get(element));
    timers.delete(element);
    send("/draft", { key: element.dataset.draft, text: textOf(element) }, { quiet: true });
  };
  document.addEventListener("input", (event) => {
    const element = event.target.closest("[data-draft]");
    if (!element) return;
    clearTimeout(timers.get(element));
    timers.set(element, setTimeout(() => save(element), AFTER_MS));
  });
  // what waits when the page goes is put where the next page finds and sends it
  addEventListener("pagehide", () => [...timers.keys()].forEach(save));
}
