/** Label while watching: a capture's stretches of unchanged frames over time, and a field each for what the display showed. */

import { get, post, say } from "./ask.js";
import { refresh } from "./fresh.js";

/** Wire every labelling section on the page. */
export function wire() {
  for (const section of document.querySelectorAll("[data-labelling]")) wireOne(/** @type {HTMLElement} */ (section));
}

function wireOne(/** @type {HTMLElement} */ section) {
  const form = /** @type {HTMLFormElement} */ (section.querySelector("form.stretches"));
  const body = /** @type {HTMLTableSectionElement} */ (form.querySelector("tbody"));
  const strip = /** @type {HTMLElement} */ (form.querySelector(".strip"));
  const button = /** @type {HTMLButtonElement} */ (section.querySelector(".list"));
  let listed = "";

  const list = async () => {
    const capture = choice(section);
    if (!capture) return say("drop a capture first");
    button.disabled = true;
    form.hidden = true;
    say("looking for stretches in which the frames do not change …", "work");
    const told = await get(`/stretches?capture=${encodeURIComponent(capture)}&for=${section.dataset.labelling}`);
    button.disabled = false;
    if (!told || capture !== choice(section)) return;
    if (!told.stretches.length) return say(`no stretch of a second or more without a change in ${capture}: hold a reading longer`);
    say(`${told.stretches.length} stretches found in ${capture}`, "done");
    listed = capture;
    form.dataset.capture = capture;
    body.replaceChildren(...told.stretches.map(row));
    strip.replaceChildren(...marks(told.stretches));
    form.hidden = false;
    (empty(body) ?? body.querySelector("input"))?.focus();
  };
  button.addEventListener("click", list);
  section.addEventListener("change", async (event) => {
    // Another capture: what was typed for this one is kept, and the list never shows one capture's stretches under another's name.
    if (!(/** @type {Element} */ (event.target).matches(".capture")) || form.hidden) return;
    if (await keep(section, listed, [...body.rows])) list();
  });
  strip.addEventListener("click", (event) => {
    const mark = /** @type {HTMLElement|null} */ (/** @type {Element} */ (event.target).closest("button"));
    if (mark) body.rows[Number(mark.dataset.i)].querySelector("input")?.focus();
  });
  body.addEventListener("focusin", (event) => {
    const line = /** @type {Element} */ (event.target).closest("tr");
    for (const mark of strip.children) mark.toggleAttribute("data-here", /** @type {HTMLElement} */ (mark).dataset.i === String(line?.sectionRowIndex));
  });
  body.addEventListener("keydown", async (event) => {
    if (event.key !== "Enter") return;
    event.preventDefault();
    const line = /** @type {HTMLTableRowElement} */ (/** @type {Element} */ (event.target).closest("tr"));
    if (await keep(section, listed, [line])) (empty(body, line) ?? line).querySelector("input")?.focus();
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    keep(section, listed, [...body.rows]);
  });
}

/** Return the capture that is chosen now (the list is renewed when captures come and go). @param {Element} section */
export function choice(section) {
  return /** @type {HTMLSelectElement|null} */ (section.querySelector(".capture"))?.value ?? "";
}

function empty(/** @type {HTMLTableSectionElement} */ body, /** @type {HTMLTableRowElement|null} */ after = null) {
  return [...body.rows].find((line) => (!after || line.rowIndex > after.rowIndex) && !line.querySelector("input")?.value) ?? null;
}

/** Keep what was typed and not kept yet; returns whether all is well. */
async function keep(/** @type {HTMLElement} */ section, /** @type {string} */ capture, /** @type {HTMLTableRowElement[]} */ lines) {
  const fresh = lines.filter((line) => {
    const input = line.querySelector("input");
    return input?.value.trim() && input.value !== line.dataset.kept;
  });
  if (!fresh.length) return true;
  const rows = fresh.map((line) => ({ start_s: Number(line.dataset.start), end_s: Number(line.dataset.end), shown: line.querySelector("input")?.value ?? "" }));
  const told = await post("/label", { capture, for: section.dataset.labelling, rows });
  if (!told) return false;
  const strip = section.querySelector(".strip");
  for (const line of fresh) {
    line.dataset.kept = line.querySelector("input")?.value ?? "";
    line.cells[3].textContent = "✓ kept";
    strip?.children[line.sectionRowIndex]?.setAttribute("data-kept", "");
  }
  say(told.complaint || told.what, told.complaint ? "trouble" : "done", told.number);
  refresh();
  return true;
}

function row(/** @type {any} */ stretch, /** @type {number} */ i) {
  const line = document.createElement("tr");
  line.dataset.start = stretch.start_s;
  line.dataset.end = stretch.end_s;
  line.title = `its frame: ${stretch.hex}`;
  for (const time of [stretch.start_s, stretch.end_s]) {
    const cell = line.insertCell();
    cell.className = "numbers";
    cell.textContent = time.toFixed(2);
  }
  const input = document.createElement("input");
  input.type = "text";
  input.autocomplete = "off";
  input.value = stretch.shown;
  if (stretch.shown) line.dataset.kept = stretch.shown;
  input.setAttribute("aria-label", `what the display showed in stretch ${i + 1}, ${stretch.start_s.toFixed(2)} to ${stretch.end_s.toFixed(2)} s`);
  line.insertCell().append(input);
  line.insertCell().textContent = stretch.shown ? "✓ kept" : "";
  return line;
}

/** A mark a stretch, as wide as it is long, at its time. */
function marks(/** @type {any[]} */ stretches) {
  const first = stretches[0].start_s, whole = stretches[stretches.length - 1].end_s - first || 1;
  return stretches.map((stretch, i) => {
    const mark = document.createElement("button");
    mark.type = "button";
    mark.tabIndex = -1; // the list's fields are the keyboard's way to the same stretches
    mark.dataset.i = String(i);
    mark.toggleAttribute("data-kept", Boolean(stretch.shown));
    mark.style.left = `${(100 * (stretch.start_s - first)) / whole}%`;
    mark.style.width = `${(100 * (stretch.end_s - stretch.start_s)) / whole}%`;
    mark.title = `${stretch.start_s.toFixed(2)} to ${stretch.end_s.toFixed(2)} s${stretch.shown ? `: ${stretch.shown}` : ""}`;
    mark.setAttribute("aria-label", `stretch ${i + 1}, ${mark.title}`);
    return mark;
  });
}
