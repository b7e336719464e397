// Pieces of a page that come by themselves, and forms that are sent without leaving the page.
// data-load="address": filled in once the page is there, and after each change of the tables too
// where it has data-follows. data-look: long work, looked at until it is done. data-check="address":
// a text that the desk checks as it is typed. A form with data-in-place keeps the page.

import { settleDraft } from "./drafts.js";
import { drawCharts } from "./charts.js";
import { makeSortable } from "./sorted.js";

const LOOK_MS = 400;
const AGAIN_MS = 3000;
const CHECK_MS = 700;
const PART = { "desk-part": "1" };

export const AWAY = "The desk cannot be reached.";
const SHUT = "The desk was restarted: open it from the address its window shows now.";
const FAILED = "The desk failed at this; its window says more.";

export function beginFragments() {
  document.addEventListener("desk:fresh", () => {
    scan(document);
    document.querySelectorAll("[data-load][data-follows]").forEach(load);
  });
  document.addEventListener("click", ({ target }) => {
    const button = target.closest?.("[data-stop]");
    if (button) look(button.closest(".working"), button.dataset.stop);
    if (target.closest?.("[data-print]")) print();
  });
  document.addEventListener("submit", (event) => {
    if (!event.target.matches("[data-in-place]")) return;
    event.preventDefault();
    sendInPlace(event.target, event.submitter);
  });
  document.addEventListener("input", ({ target }) => target.matches("[data-check]") && checkLater(target));
  document.addEventListener("input", ({ target, inputType }) => target.matches("[data-complete]") && inputType?.startsWith("insert") && complete(target));
  for (const text of document.querySelectorAll("[data-check]")) {
    if (text.value !== text.defaultValue) checkLater(text); // typed before this script was there
  }
  scan(document);
}

function scan(root) {
  for (const piece of root.querySelectorAll("[data-load]:not([data-begun])")) {
    piece.dataset.begun = "yes";
    if (piece.dataset.follows !== "later") load(piece);
  }
  for (const work of root.querySelectorAll(".working:not([data-begun])")) {
    work.dataset.begun = "yes";
    setTimeout(() => look(work, work.dataset.look), LOOK_MS);
  }
  makeSortable(root);
  drawCharts(root);
}

/** The text of an answer, and what the desk says of it; throws words for people. */
async function got(address, options = {}) {
  const response = await fetch(address, { headers: PART, ...options }).catch(() => { throw AWAY; });
  if (response.status === 403) throw SHUT;
  if (response.status >= 500) throw FAILED;
  if (response.headers.get("desk-reload")) {
    location.reload();
    await new Promise(() => {}); // what stands here stays until the new page comes
  }
  return { html: await response.text(), url: response.url };
}

const latest = new WeakMap(); // by piece: of answers that cross, only the last counts

async function load(piece) {
  const mine = Symbol();
  latest.set(piece, mine);
  piece.dataset.loading = "yes";
  try {
    const { html } = await got(piece.dataset.load);
    if (latest.get(piece) !== mine) return;
    piece.innerHTML = html;
    scan(piece);
  } catch (words) {
    // what stands there is of before; the connection's own line says that it is gone
    if (latest.get(piece) === mine && !piece.firstChild) piece.textContent = `${words}`;
  }
  delete piece.dataset.loading;
}

async function look(work, address) {
  if (!work?.isConnected) return;
  try {
    const { html } = await got(address);
    if (!work.isConnected) return;
    const made = document.createElement("template");
    made.innerHTML = html;
    const parent = work.parentElement;
    work.replaceWith(made.content);
    scan(parent);
  } catch (words) {
    work.querySelector(".missed").textContent = `${words} This page tries again.`;
    setTimeout(() => look(work, work.dataset.look), AGAIN_MS);
  }
}

async function sendInPlace(form, submitter) {
  if (form.dataset.sending) return;
  form.dataset.sending = "yes";
  settleDraft(form);
  try {
    const body = new URLSearchParams(new FormData(form, submitter));
    const { html, url } = await got(form.action, { method: "POST", body, headers: {} });
    const fresh = new DOMParser().parseFromString(html, "text/html").querySelector("#main");
    document.querySelector("#main").replaceChildren(...fresh.childNodes);
    history.replaceState(null, "", url);
    scan(document.querySelector("#main"));
    document.querySelector("#main [autofocus]")?.focus();
  } catch (words) {
    delete form.dataset.sending;
    form.querySelector(".not-sent")?.remove();
    const notice = document.createElement("p");
    notice.className = "faults not-sent";
    notice.setAttribute("role", "alert");
    notice.textContent = `Not added. ${words} What you typed is still here: try again.`;
    form.append(notice);
  }
}

/** A name that is begun is completed where only one begins so; what is typed on takes its place. */
async function complete(field) {
  const begun = field.value;
  const { html } = await got(`${field.dataset.complete}?${new URLSearchParams({ starts: begun })}`).catch(() => ({}));
  const { text, also = {} } = JSON.parse(html || "{}");
  if (!text || field.value !== begun || document.activeElement !== field) return;
  field.value = text;
  field.setSelectionRange(begun.length, text.length);
  for (const [name, value] of Object.entries(also)) field.form.elements[name].value = value;
}

let checking = 0;

function checkLater(field) {
  clearTimeout(checking);
  checking = setTimeout(async () => {
    const body = new URLSearchParams({ [field.name]: field.value });
    const { html } = await got(field.dataset.check, { method: "POST", body, headers: PART }).catch(() => ({}));
    const made = document.createElement("template");
    made.innerHTML = html ?? "";
    const fresh = made.content.firstElementChild;
    const old = fresh && document.getElementById(fresh.id);
    if (!old) return;
    for (const { name } of old.querySelectorAll("input:checked")) fresh.querySelector(`[name="${name}"]`)?.setAttribute("checked", "");
    old.replaceWith(fresh);
  }, CHECK_MS);
}
