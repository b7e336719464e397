// Texts being written, such as a note or what was heard: kept as they are typed.
// An element with data-draft="key" is kept whole; a form with it keeps all its fields. A form with
// data-lets-go="key" is sent to let go of what was typed.

const AFTER_MS = 300;
const UNSURE_MS = 10_000;
const typed = new Map(); // by element: when it was last typed into
const timers = new Map();

const textOf = (element) =>
  element instanceof HTMLFormElement
    ? JSON.stringify(Object.fromEntries(new FormData(element)))
    : element.value;

/** A form is being sent: what was typed into it needs no draft any more. */
export function settleDraft(form) {
  clearTimeout(timers.get(form));
  typed.delete(form);
}

export function beginDrafts(send, forget) {
  const save = (element) => {
    clearTimeout(timers.get(element));
    send("/draft", { key: element.dataset.draft, text: textOf(element) }, { quiet: true });
  };
  const saveSoon = (field) => {
    const element = field.closest("[data-draft]");
    if (!element) return;
    typed.set(element, Date.now());
    clearTimeout(timers.get(element));
    timers.set(element, setTimeout(() => save(element), AFTER_MS));
  };
  document.addEventListener("input", ({ target }) => saveSoon(target));
  const field = document.activeElement; // typed into before this script was there
  if (field.value !== field.defaultValue) saveSoon(field);
  // The next page may have been made before the last text came to the desk: it is put where that
  // page finds it, shows it and sends it again.
  addEventListener("pagehide", () => {
    for (const [element, at] of typed) if (Date.now() - at < UNSURE_MS) save(element);
  });
  document.addEventListener("submit", ({ target: { dataset } }) => {
    if (dataset.letsGo === undefined) return;
    for (const element of [...typed.keys()].filter((each) => each.dataset.draft === dataset.letsGo)) {
      settleDraft(element);
    }
    forget(dataset.letsGo);
  });
}

const isReload = () => performance.getEntriesByType("navigation")[0]?.type === "reload";

/** Show a text that the desk did not have when it made the page. A form of the same name may be
 * another by now: one at another address, or one that hides another name of an entry, which a
 * reload alone does not change. */
export function showDraft(key, text, isSameAddress) {
  const element = document.querySelector(`[data-draft="${CSS.escape(key)}"]`);
  if (!(element instanceof HTMLFormElement)) {
    if (element) element.value = text;
    return;
  }
  if (!isSameAddress) return;
  const fields = JSON.parse(text);
  const inputs = [...element.elements].filter((input) => input.name);
  const isAnother = inputs.some((input) => input.type === "hidden" && input.value !== fields[input.name]);
  if (isAnother && !isReload()) return;
  for (const input of inputs) {
    if (["checkbox", "radio"].includes(input.type)) input.checked = fields[input.name] === input.value;
    else if (input.type !== "file") input.value = fields[input.name] ?? "";
  }
}
