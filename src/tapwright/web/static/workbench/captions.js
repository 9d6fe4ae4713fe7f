/** Captions typed against a video: what a dropped file says is shown first, and kept as labels only then. */

import { get, post, say } from "./ask.js";
import { refresh } from "./fresh.js";
import { choice } from "./labelling.js";

/** Wire the captions of every labelling section. */
export function wire() {
  document.addEventListener("click", (event) => {
    const target = /** @type {Element} */ (event.target);
    const button = /** @type {HTMLElement|null} */ (target.closest("[data-captions]"));
    const section = /** @type {HTMLElement|null} */ (target.closest("[data-labelling]"));
    if (button && section) preview(section, button.dataset.captions ?? "");
    else if (section && target.closest("[data-close]")) form(section).hidden = true;
  });
  document.addEventListener("dropped", (event) => {
    const { kind, files } = /** @type {CustomEvent} */ (event).detail;
    const section = /** @type {HTMLElement|null} */ (/** @type {Element} */ (event.target).closest("[data-labelling]"));
    if (kind === "subtitles" && section) preview(section, files[files.length - 1]);
  });
  document.addEventListener("change", (event) => {
    const section = /** @type {HTMLElement|null} */ (/** @type {Element} */ (event.target).closest("[data-labelling]"));
    // Another capture is chosen: the same captions belong to that one then.
    if (section && /** @type {Element} */ (event.target).matches(".capture") && !form(section).hidden) preview(section, form(section).dataset.file ?? "");
  });
  document.addEventListener("submit", async (event) => {
    const place = /** @type {HTMLFormElement} */ (event.target);
    if (!place.matches(".captions")) return;
    event.preventDefault();
    const section = /** @type {HTMLElement} */ (place.closest("[data-labelling]"));
    const told = await post("/captions", { file: place.dataset.file, capture: place.dataset.capture, for: section.dataset.labelling });
    if (!told) return;
    place.hidden = true;
    say(told.complaint || `${told.what} kept in ${told.file}`, told.complaint ? "trouble" : "done", told.number);
    refresh();
  });
}

const form = (/** @type {Element} */ section) => /** @type {HTMLFormElement} */ (section.querySelector("form.captions"));

async function preview(/** @type {HTMLElement} */ section, /** @type {string} */ file) {
  const capture = choice(section), place = form(section);
  if (!capture) return say(`${file} is taken; drop the capture that it belongs to, then press “Show what it says”`);
  const told = await get(`/captions?file=${encodeURIComponent(file)}&capture=${encodeURIComponent(capture)}`);
  place.hidden = !told;
  if (!told) return;
  place.dataset.file = file;
  place.dataset.capture = capture;
  const head = place.querySelector("h3"), body = place.querySelector("tbody"), left = place.querySelector(".not-taken");
  if (head) head.textContent = `${file} says, for ${capture}:`;
  body?.replaceChildren(...told.labels.map(row));
  left?.replaceChildren(...told.not_taken.map((/** @type {any} */ item) => {
    const line = document.createElement("li");
    line.textContent = `line ${item.line}: “${item.text}” reads like no display and is left out`;
    return line;
  }));
  place.querySelector("button")?.focus();
}

function row(/** @type {any} */ label) {
  const line = document.createElement("tr");
  for (const text of [label.start_s.toFixed(2), label.end_s.toFixed(2), label.display || "(blank)", label.unit, label.flags]) line.insertCell().textContent = text;
  return line;
}
