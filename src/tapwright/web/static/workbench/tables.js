/** Grids that are kept as they are typed: the survey, the labels. */

import { post } from "./ask.js";

const AFTER_MS = 600;

/** Wire every grid on the page. */
export function wire() {
  for (const table of document.querySelectorAll("[data-grid]")) wireOne(/** @type {HTMLTableElement} */ (table));
}

function wireOne(/** @type {HTMLTableElement} */ table) {
  let timer = 0;
  const section = table.closest("section");
  const keep = async () => {
    const rows = [...table.rows].map((row) => [...row.querySelectorAll("input")].map((cell) => cell.value));
    const told = await post(`/grid/${table.dataset.grid}`, { rows });
    const complaint = section?.querySelector(".complaint");
    if (told && complaint) complaint.textContent = told.complaint;
  };
  table.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(keep, AFTER_MS);
  });
  table.addEventListener("paste", (event) => pasted(event, table));
  table.addEventListener("keydown", moved);
  section?.querySelector("[data-grow=row]")?.addEventListener("click", () => growRow(table).querySelector("input")?.focus());
  section?.querySelector("[data-grow=column]")?.addEventListener("click", () => growColumn(table).focus());
}

function growRow(/** @type {HTMLTableElement} */ table) {
  const row = table.tBodies[0].insertRow();
  for (let i = 0; i < table.rows[0].cells.length; i += 1) row.insertCell().append(field(`row ${row.sectionRowIndex + 1}, column ${i + 1}`));
  return row;
}

function growColumn(/** @type {HTMLTableElement} */ table) {
  const head = document.createElement("th");
  head.scope = "col";
  const first = field(`heading ${table.rows[0].cells.length + 1}`);
  head.append(first);
  table.rows[0].append(head);
  for (const row of table.tBodies[0].rows) row.insertCell().append(field(`row ${row.sectionRowIndex + 1}, column ${row.cells.length}`));
  return first;
}

function field(/** @type {string} */ label) {
  const input = document.createElement("input");
  input.type = "text";
  input.setAttribute("aria-label", label);
  return input;
}

/** Up, down and Enter go from row to row, as in a sheet on paper. */
function moved(/** @type {KeyboardEvent} */ event) {
  const step = { ArrowDown: 1, Enter: 1, ArrowUp: -1 }[event.key];
  const cell = /** @type {Element} */ (event.target).closest("td, th");
  if (!step || !cell) return;
  event.preventDefault();
  const row = /** @type {HTMLTableRowElement} */ (cell.parentElement);
  const table = /** @type {HTMLTableElement} */ (row.closest("table"));
  const next = table.rows[row.rowIndex + step];
  next?.cells[/** @type {HTMLTableCellElement} */ (cell).cellIndex]?.querySelector("input")?.select();
}

/** A block pasted from a sheet fills cells from the focused one on. */
function pasted(/** @type {ClipboardEvent} */ event, /** @type {HTMLTableElement} */ table) {
  const text = event.clipboardData?.getData("text/plain") ?? "";
  if (!/[\t\n]/.test(text.trim())) return;
  event.preventDefault();
  const cell = /** @type {HTMLTableCellElement} */ (/** @type {Element} */ (event.target).closest("td, th"));
  const top = /** @type {HTMLTableRowElement} */ (cell.parentElement).rowIndex, left = cell.cellIndex;
  text.trimEnd().split(/\r?\n/).forEach((line, i) => {
    while (table.rows.length <= top + i) growRow(table);
    line.split("\t").forEach((value, j) => {
      while (table.rows[0].cells.length <= left + j) growColumn(table);
      const input = table.rows[top + i].cells[left + j].querySelector("input");
      if (input) input.value = value.trim();
    });
  });
  table.dispatchEvent(new Event("input"));
}
