// The desk's script: sends what is typed, keeps what could not be sent, and puts the parts that
// come back in their place. Everything that is computed is computed on the server.

import { beginSheets } from "./sheet.js";
import { beginDrafts } from "./drafts.js";
import { beginSliders } from "./sliders.js";

const WAITING = "desk-waiting"; // edits not yet sent, in order, kept across reloads and crashes

export const parts = () =>
  [...document.querySelectorAll("[data-part]")].map((part) => part.id);

// Which desk and which tables the page shows: row ids of others mean other rows.
const shown = () => document.querySelector("#status").dataset;
export const deskName = () => shown().desk;
export const bookId = () => shown().book;

/** Letters that no other edit has; randomUUID is not there for pages of another machine. */
export const newName = () =>
  [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");

// Edits not yet answered, in order, each under a key of its own: so they outlive reloads and
// crashes, and two windows on one desk do not write over each other's. What the browser does not
// keep (its room is full, or it keeps nothing) is kept as long as the page.
const PAGE = newName();
const PREFIX = `desk-waiting:${deskName()}:`;
const MOST_KEPT_HERE = 1_000_000; // characters; the browser has room for about five times as many
const here = new Map();
let count = 0;

function keep(edit) {
  const key = `${PREFIX}${String(Date.now()).padStart(15, "0")}-${String(count++).padStart(6, "0")}-${PAGE}`;
  const text = JSON.stringify(edit);
  try {
    if (text.length > MOST_KEPT_HERE) throw new RangeError();
    localStorage.setItem(key, text);
  } catch {
    here.set(key, text);
  }
}

function drop(key) {
  here.delete(key);
  try {
    localStorage.removeItem(key);
  } catch {
    // it was never there
  }
}

/** Keys of what waits, the oldest first. */
function waiting() {
  let kept = [];
  try {
    kept = Object.keys(localStorage).filter((key) => key.startsWith(PREFIX));
  } catch {
    // a browser that keeps nothing
  }
  return [...kept, ...here.keys()].sort();
}

function edit(key) {
  return JSON.parse(here.get(key) ?? localStorage.getItem(key));
}

let sending = false;
let again = 0;
let whenIdle = [];

/** Send an edit; it is kept until the desk has answered it, however often that takes. */
export function send(url, fields, { quiet = false } = {}) {
  keep({ url, fields: { name: newName(), book: bookId(), ...fields }, quiet, page: PAGE });
  return drain();
}

/** Wait until everything typed has been answered. */
export const settled = () =>
  sending || waiting().length ? new Promise((done) => whenIdle.push(done)) : Promise.resolve();

async function drain() {
  if (sending) return settled();
  sending = true;
  clearTimeout(again);
  document.body.dataset.busy = "yes";
  let trouble = "";
  try {
    for (let [key] = waiting(); key; [key] = waiting()) {
      const next = edit(key);
      if (!next) continue; // another window has had it answered just now
      const answer = await post(next);
      trouble = answer.trouble ?? "";
      if (trouble) break; // it stays, and is tried again below
      drop(key);
      if (answer.refused) tell(answer.refused);
      else if (!next.quiet) put(answer.html);
    }
  } finally {
    sending = false;
    delete document.body.dataset.busy;
  }
  tellConnection(waiting().length, trouble);
  if (waiting().length) {
    again = setTimeout(drain, 1000);
  } else {
    whenIdle.splice(0).forEach((done) => done());
  }
}

/** The answer: parts as `html`, words where the edit itself is `refused`, or the `trouble` that
 * lies not in the edit. */
async function post({ url, fields, page }) {
  // what an earlier page typed comes back with the parts of this one
  const asked = page === PAGE && "parts" in fields ? fields.parts : parts().join(",");
  try {
    const response = await fetch(url + location.search, {
      method: "POST",
      body: new URLSearchParams({ ...fields, parts: asked }),
      headers: { "HX-Request": "true" },
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

/** Put parts that came back in the place of those of the same id, and nothing else. */
function put(html) {
  document.querySelector("#trouble")?.replaceChildren();
  const made = document.createElement("template");
  made.innerHTML = html;
  const focused = document.activeElement?.id;
  // a part that goes takes the focus from what is typed into it: no reason to end the typing
  document.body.dataset.putting = "yes";
  for (const fresh of [...made.content.children]) {
    const old = document.getElementById(fresh.id);
    if (!old) continue;
    fresh.removeAttribute("hx-swap-oob");
    old.replaceWith(fresh);
    htmx.process(fresh);
  }
  delete document.body.dataset.putting;
  if (focused && document.activeElement === document.body) document.getElementById(focused)?.focus();
  document.dispatchEvent(new CustomEvent("desk:fresh"));
}

/** Words of the desk about an edit that it refuses, where no page of its own tells them. */
function tell(words) {
  const line = document.createElement("p");
  line.textContent = `Not done: ${words}`;
  document.querySelector("#trouble")?.replaceChildren(line);
}

const TROUBLES = {
  away: "The desk cannot be reached.",
  shut: "The desk was started anew: open it by the address that its window shows now.",
  other: "Another desk or program answers at this address.",
  failed: "The desk failed at this; its window tells more.",
};

function tellConnection(count, trouble) {
  const place = document.querySelector("#connection");
  const words = count && trouble
    ? `${TROUBLES[trouble]} ${count} edit${count === 1 ? " is" : "s are"} kept here and sent when it is back.`
    : "";
  place.hidden = !words;
  if (place.firstChild?.textContent === words) return; // said once, not every second
  place.replaceChildren(...(words ? [words] : []));
  if (trouble !== "failed") return;
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = "Leave this edit out";
  button.addEventListener("click", () => {
    drop(waiting()[0]);
    drain();
  });
  place.append(" ", button);
}

// A page that waits for long work looks again whatever a look has met, and says what that was.
const missed = (trouble) => (event) => {
  const place = event.target.closest?.(".working")?.querySelector(".missed");
  if (place) place.textContent = `${TROUBLES[trouble(event)]} This page looks again.`;
};
document.addEventListener("htmx:sendError", missed(() => "away"));
document.addEventListener("htmx:responseError", missed(({ detail }) => (detail.xhr.status < 500 ? "shut" : "failed")));

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
  send(path, {});
});

beginSheets(send, bookId);
beginDrafts(send);
beginSliders(send, newName);
drain();
