/** Label while watching: stretches of unchanged frames, and a field each for what the display showed. */

import { get, post, say } from "./ask.js";

/** Wire every labelling section on the page. */
export function wire() {
  for (const section of document.querySelectorAll("[data-labelling]")) wireOne(/** @type {HTMLElement} */ (section));
}

function wireOne(/** @type {HTMLElement} */ section) {
  const choice = /** @type {HTMLSelectElement} */ (section.querySelector(".capture"));
  const form = /** @type {HTMLFormElement} */ (section.querySelector("form"));
  const body = /** @type {HTMLTableSectionElement} */ (form.querySelector("tbody"));
  const button = /** @type {HTMLButtonElement} */ (section.querySelector(".list"));
  button.addEventListener("click", async () => {
    button.disabled = true;
    say("looking for stretches in which the frames do not change …");
    const told = await get(`/stretches?capture=${encodeURIComponent(choice.value)}`);
    button.disabled = false;
    if (!told) return;
    if (!told.stretches.length) say("no stretch of a second or more without a change: hold a reading longer");
    body.replaceChildren(...told.stretches.map(row));
    form.hidden = !told.stretches.length;
    body.querySelector("input")?.focus();
  });
  section.addEventListener("dropped", () => setTimeout(() => location.reload(), 300));
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const rows = [...body.rows].map((line) => ({
      start_s: Number(line.dataset.start), end_s: Number(line.dataset.end), shown: line.querySelector("input")?.value ?? "",
    })).filter((item) => item.shown.trim());
    const told = await post("/label", { capture: choice.value, for: section.dataset.labelling, rows });
    if (!told) return;
    if (told.complaint) say(told.complaint);
    else location.reload();
  });
}

function row(/** @type {any} */ stretch, /** @type {number} */ i) {
  const line = document.createElement("tr");
  line.dataset.start = stretch.start_s;
  line.dataset.end = stretch.end_s;
  line.title = stretch.hex;
  for (const time of [stretch.start_s, stretch.end_s]) {
    const cell = line.insertCell();
    cell.className = "numbers";
    cell.textContent = time.toFixed(2);
  }
  const input = document.createElement("input");
  input.type = "text";
  input.autocomplete = "off";
  input.setAttribute("aria-label", `what the display showed in stretch ${i + 1}`);
  line.insertCell().append(input);
  return line;
}
