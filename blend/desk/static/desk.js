// The desk's script: sends what is typed, keeps what could not be sent, and puts the parts that
// come back in their place. Everything that is computed is computed on the server.

import { beginDrafts, showDraft } from "./drafts.js";
import { AWAY, beginFragments } from "./fragments.js";
import { beginGrids, show, takeRows } from "./grid.js";
import { beginSliders } from "./sliders.js";
import { storeOf } from "./stores.js";

const parts = (which = "[data-part]") => [...document.querySelectorAll(which)].map((part) => part.id);

// Which desk and which tables the page shows: row ids of others mean other rows.
const shown = () => document.querySelector("#status").dataset;
const deskName = () => shown().desk;
const bookId = () => shown().book;

/** Letters that no other edit has; randomUUID is not there for pages of another machine. */
const newName = () =>
  [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");

// What waits -----------------------------------------------------------------------------------

// Edits not yet answered, in order, each under a key of its own: so they outlive reloads and
// crashes, and two windows on one desk do not write over each other's. What the browser does not
// keep (its room is full, or it keeps nothing) is kept as long as the page.
const PAGE = newName();
const PREFIX = `desk-waiting:${deskName()}:`;
const MAX_KEPT = 1_000_000; // characters; the browser has room for about five times as many
const store = storeOf("localStorage");
const here = new Map();
let latest = 0;

function keep(edit) {
  latest = Math.max(Date.now(), latest + 1); // a clock that is put back changes no order
  const key = `${PREFIX}${String(latest).padStart(15, "0")}-${PAGE}`;
  const text = JSON.stringify(edit);
  if (text.length > MAX_KEPT || !store.set(key, text)) here.set(key, text);
}

function drop(key) {
  here.delete(key);
  store.remove(key);
}

/** Keys of what waits, the oldest first. */
const waiting = () => [...store.keys().filter((key) => key.startsWith(PREFIX)), ...here.keys()].sort();

const editAt = (key) => JSON.parse(here.get(key) ?? store.get(key));

/** What waits is seen where it was typed, whatever came from the desk without it. */
function showWaiting() {
  for (const { fields, cells = [] } of waiting().map(editAt).filter(Boolean)) {
    if (fields.book === bookId()) cells.forEach((cell) => show(...cell));
  }
}

const address = () => location.pathname + location.search;
const isDraft = (edit) => edit?.url === "/draft";

function showWaitingDrafts() {
  for (const { fields, from } of waiting().map(editAt).filter(isDraft)) {
    showDraft(fields.key, fields.text, from === address());
  }
}

function forgetDraft(name) {
  for (const key of waiting()) if (isDraft(editAt(key)) && editAt(key).fields.key === name) drop(key);
}

// What the desk has and the page does not show -------------------------------------------------

const ANSWERED = `desk-answered:${deskName()}`; // when an edit of any window last was
let isStale = false;

function catchUp() {
  isStale = document.hidden; // then it can wait until it is seen
  if (!isStale) ask();
}

/** The desk may have answered an edit after it made this page, and before the page could hear. */
const isMadeBeforeAnAnswer = () => {
  const askedAt = Date.now() - performance.now();
  return Number(store.get(ANSWERED)) > askedAt - 1000; // coarse clocks
};

addEventListener("storage", (event) => event.key === ANSWERED && catchUp());
addEventListener("pageshow", (event) => event.persisted && catchUp());
document.addEventListener("visibilitychange", () => isStale && catchUp());

// Sending --------------------------------------------------------------------------------------

const MAX_MS = 60_000; // a connection may die without a word
const wanted = new Set(); // ids of parts to rebuild, once nothing waits
let sending = false;
let again = 0;

/** Send an edit; it is kept until the desk has answered it, however often that takes. `quiet`:
 * no part follows from it. `cells`: where it is seen at once, as [table, row, column, text]. */
function send(url, fields, { quiet = false, cells = [] } = {}) {
  if (!quiet) document.querySelector("#trouble").replaceChildren();
  keep({ url, fields: { name: newName(), book: bookId(), ...fields }, quiet, cells, page: PAGE, from: address() });
  drain();
}

/** Rebuild parts: not kept, as it changes nothing. */
function ask(ids = parts()) {
  ids.forEach((id) => wanted.add(id));
  drain();
}

async function drain() {
  if (sending) return;
  sending = true;
  clearTimeout(again);
  document.body.dataset.busy = "yes";
  let met = {};
  try {
    while (!met.trouble && (waiting().length || wanted.size)) {
      met = await (waiting().length ? sendFirst() : fetchWanted());
    }
  } finally {
    sending = false;
    delete document.body.dataset.busy;
  }
  showConnection(met);
  if (waiting().length || wanted.size) again = setTimeout(drain, 1000);
}

/** The `trouble` that lies not in the edit, and the `key` of the edit that met it; or neither. */
async function sendFirst() {
  const [key] = waiting();
  const next = editAt(key);
  if (!next) return {}; // another window has had it answered just now
  const { trouble, refused, html } = await post(next);
  if (trouble) return { trouble, key };
  // said before it is dropped: a page that begins meanwhile finds the one or the other
  if (!next.quiet) store.set(ANSWERED, String(Date.now()));
  drop(key);
  if (refused) showRefusal(refused);
  const isRefused = refused || (!next.quiet && put(html).includes("trouble"));
  if (!next.quiet) parts("[data-part=later]").forEach((id) => wanted.add(id));
  if (!isRefused) return {};
  showTyped(next);
  ask(); // the page shows it as if it were done
  return {};
}

async function fetchWanted() {
  const asked = [...wanted];
  wanted.clear();
  const { trouble, refused, html } = await post({ url: "/parts", fields: { parts: asked.join(",") }, page: PAGE });
  if (trouble === "away" || trouble === "shut") asked.forEach((id) => wanted.add(id));
  if (refused) showRefusal(refused);
  if (html) put(html);
  return { trouble };
}

/** The answer: parts as `html`, words where the edit itself is `refused`, or the `trouble` that
 * lies not in the edit. */
async function post({ url, fields, page }) {
  // what an earlier page typed comes back with the parts of this one
  const asked = page === PAGE && "parts" in fields ? fields.parts : parts("[data-part='']").join(",");
  try {
    const response = await fetch(url + location.search, {
      method: "POST",
      body: new URLSearchParams({ ...fields, parts: asked }),
      headers: { "desk-part": "1" },
      signal: AbortSignal.timeout(MAX_MS),
    });
    const text = await response.text();
    if (response.status === 403) return { trouble: "shut" };
    if (response.status >= 500) return { trouble: "failed" };
    if (response.headers.get("desk") !== deskName()) return { trouble: "other" };
    if (response.ok) return { html: text || " " };
    return { refused: text };
  } catch {
    return { trouble: "away" };
  }
}

/** Put parts that came back in the place of those of the same id, and nothing else; their ids. */
function put(html) {
  const made = document.createElement("template");
  made.innerHTML = html;
  const fresh = [...made.content.children];
  const focused = document.activeElement;
  const place = placeOf(focused);
  // a part that goes takes the focus from what is typed into it: no reason to end the typing
  document.body.dataset.putting = "yes";
  fresh.forEach(putOne);
  delete document.body.dataset.putting;
  unfold();
  showWaiting();
  document.dispatchEvent(new CustomEvent("desk:fresh"));
  if (!focused.isConnected && document.activeElement === document.body) place()?.focus();
  return fresh.map((part) => part.id);
}

function putOne(fresh) {
  const old = document.getElementById(fresh.id);
  if (!old) return;
  if (old.dataset.held) {
    old.dataset.held = "missed"; // a hand is in it; it is asked for when the hand lets go
    return;
  }
  const isSheet = fresh.id.startsWith("grid-"); // whose grid may show what this part never did
  if (!isSheet && old.isEqualNode(fresh)) return;
  if (!putRows(old, fresh)) old.replaceWith(fresh);
  if (isSheet) takeRows(fresh.id);
}

/** Only the rows that differ, where all else is as it was: a browser lays out a long table slowly. */
function putRows(old, fresh) {
  const [before, after] = [old, fresh].map((part) => [...part.querySelectorAll("[data-by-row] > tbody > tr")]);
  const [around, fresher] = [old, fresh].map((part) => [...part.querySelectorAll("h2, thead, p")]);
  const isSame = before.length === after.length && around.length === fresher.length && around.every((each, at) => each.isEqualNode(fresher[at]));
  if (!before.length || !isSame) return false;
  before.forEach((row, at) => row.isEqualNode(after[at]) || row.replaceWith(after[at]));
  return true;
}

// What was folded open stays open when its part is rebuilt.
const unfolded = new Set();
const unfold = () => unfolded.forEach((id) => document.getElementById(id)?.setAttribute("open", ""));
document.addEventListener("toggle", ({ target: { id, open } }) => id && unfolded[open ? "add" : "delete"](id), true);

/** Finds what stands where an element stood, in a part that was rebuilt. */
function placeOf(element) {
  const part = element.closest("[data-part]")?.id;
  if (!part || !element.matches("a, button, input, select, textarea, summary")) return () => null;
  const alike = () => [...document.getElementById(part).querySelectorAll(element.localName)];
  const number = alike().indexOf(element);
  return () => document.getElementById(element.id) ?? alike()[number];
}

// Showing --------------------------------------------------------------------------------------

/** Words of the desk about an edit that it refuses, where no page of its own shows them. */
const showRefusal = (words) => document.querySelector("#trouble").replaceChildren(line(`Not done: ${words}`));

/** A refused edit leaves the sheets: what was typed stands with why. */
function showTyped({ cells }) {
  const texts = [...new Set(cells?.map(([, , , text]) => text))].filter(Boolean);
  if (texts.length) document.querySelector("#trouble").append(line(`Typed: ${texts.join(", ")}`));
}

function line(words) {
  const made = document.createElement("p");
  made.textContent = words;
  return made;
}

const TROUBLES = {
  away: AWAY,
  shut: "The desk was restarted: open it from the address its window shows now.",
  other: "Another desk or program answers at this address.",
  failed: "The desk failed at this; its window says more.",
};

function showConnection({ trouble, key }) {
  const place = document.querySelector("#connection");
  const count = waiting().length;
  const kept = count ? ` ${count} edit${count === 1 ? " is" : "s are"} kept here and sent when it is back.` : "";
  const words = trouble ? TROUBLES[trouble] + kept : "";
  place.hidden = !words;
  if (place.firstChild?.textContent === words) return; // said once, not every second
  place.replaceChildren(...(words ? [words] : []));
  if (trouble !== "failed" || !key) return;
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = "Discard this edit";
  button.addEventListener("click", () => {
    drop(key); // this one, also where it was answered meanwhile and another is the first
    ask();
  });
  place.append(" ", button);
}

// Buttons and keys -----------------------------------------------------------------------------

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-do]");
  if (button) send(button.dataset.do, button.dataset.over ? { over: button.dataset.over } : {});
});

document.addEventListener("keydown", (event) => {
  if (!(event.ctrlKey || event.metaKey) || event.target.matches("input:not([type=range]), textarea, select")) return;
  const key = event.key.toLowerCase();
  const path = key === "s" ? "/save" : key === "y" || (key === "z" && event.shiftKey) ? "/redo" : key === "z" ? "/undo" : null;
  if (!path) return;
  event.preventDefault();
  // a page without these buttons holds nothing that they save or undo
  if (document.querySelector("#status [data-do]")) send(path, {});
});

showWaitingDrafts();
beginDrafts(send, forgetDraft);
beginSliders(send, ask, newName);
beginFragments();
try {
  await beginGrids(send, ask, bookId);
} finally {
  showWaiting();
  if (isMadeBeforeAnAnswer()) ask();
  else drain();
}
document.body.dataset.ready = "yes";
