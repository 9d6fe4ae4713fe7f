/** Grids that are kept as they are typed: the survey, the labels. Wired once: the tables are renewed under them. */

import { post, say } from "./ask.js";

const AFTER_MS = 600;
/** @type {Map<string, number>} */
const timers = new Map();

/** Wire all grids. */
export function wire() {
  document.addEventListener("input", (event) => {
    const table = tableOf(event.target);
    if (table) later(table);
  });
  document.addEventListener("paste", (event) => {
    const table = tableOf(event.target);
    if (table) pasted(event, table);
  });
  document.addEventListener("keydown", moved);
  document.addEventListener("click", (event) => {
    const button = /** @type {HTMLElement|null} */ (/** @type {Element} */ (event.target).closest("button"));
    const table = /** @type {HTMLTableElement|null} */ (button?.closest("section")?.querySelector("[data-grid]") ?? null);
    if (!button) return;
    if (table && button.dataset.grow === "row") growRow(table).querySelector("input")?.focus();
    else if (table && button.dataset.grow === "column") growColumn(table).focus();
    else if (table && button.dataset.row) toRow(table, Number(button.dataset.row));
    else if (button.dataset.cellPad !== undefined) toCell(button.dataset.cellPad, button.dataset.cellColumn ?? "");
  });
}

function tableOf(/** @type {EventTarget|null} */ target) {
  return /** @type {HTMLTableElement|null} */ (target instanceof Element ? target.closest("[data-grid]") : null);
}

function later(/** @type {HTMLTableElement} */ table) {
  const name = table.dataset.grid ?? "";
  const section = /** @type {HTMLElement} */ (table.closest("section"));
  section.dataset.typing = "";
  clearTimeout(timers.get(name));
  timers.set(name, setTimeout(() => keep(table, section), AFTER_MS));
}

async function keep(/** @type {HTMLTableElement} */ table, /** @type {HTMLElement} */ section) {
  const rows = [...table.rows].map((row) => [...row.querySelectorAll("input")].map((cell) => cell.value));
  const told = await post(`/grid/${table.dataset.grid}`, { rows });
  delete section.dataset.typing;
  if (!told) return;
  const complaint = section.querySelector(".complaint[role=status]");
  if (complaint) complaint.textContent = told.complaint;
  say(`${told.file} is kept`, "done", told.number);
}

function growRow(/** @type {HTMLTableElement} */ table) {
  const row = table.tBodies[0].insertRow();
  for (let i = 0; i < table.rows[0].cells.length; i += 1) row.insertCell().append(field(`row ${row.sectionRowIndex + 1}, ${heading(table, i) || `column ${i + 1}`}`));
  return row;
}

function growColumn(/** @type {HTMLTableElement} */ table) {
  const head = document.createElement("th");
  head.scope = "col";
  const first = field(`heading ${table.rows[0].cells.length + 1}`);
  first.placeholder = "a state";
  head.append(first);
  table.rows[0].append(head);
  for (const row of table.tBodies[0].rows) row.insertCell().append(field(`row ${row.sectionRowIndex + 1}, column ${row.cells.length}`));
  return first;
}

const heading = (/** @type {HTMLTableElement} */ table, /** @type {number} */ i) => table.rows[0].cells[i]?.querySelector("input")?.value.trim() ?? "";

/** Go to a label's row: its display is what is most often mistyped. */
function toRow(/** @type {HTMLTableElement} */ table, /** @type {number} */ number) {
  const at = [...table.rows[0].cells].findIndex((_, i) => heading(table, i).toLowerCase() === "display");
  const cell = table.tBodies[0].rows[number - 1]?.cells[Math.max(at, 0)]?.querySelector("input");
  cell?.scrollIntoView({ block: "center" });
  cell?.select();
}

/** Go to the survey's cell that a measurement fills; its column is made if it is not there. */
function toCell(/** @type {string} */ pad, /** @type {string} */ column) {
  const table = /** @type {HTMLTableElement|null} */ (document.querySelector("[data-grid=survey]"));
  if (!table) return;
  const same = (/** @type {string} */ a, /** @type {string} */ b) => a.replace(/\s+/g, " ").toLowerCase() === b.toLowerCase();
  let at = [...table.rows[0].cells].findIndex((_, i) => same(heading(table, i), column));
  if (at < 0) {
    const made = growColumn(table);
    made.value = column;
    made.size = Math.max(column.length, 8);
    at = table.rows[0].cells.length - 1;
  }
  const pads = [...table.rows[0].cells].findIndex((_, i) => same(heading(table, i), "pad"));
  const row = [...table.tBodies[0].rows].find((one) => same(one.cells[Math.max(pads, 0)].querySelector("input")?.value.trim() ?? "", pad));
  const cell = (row ?? growRow(table)).cells[at].querySelector("input");
  cell?.scrollIntoView({ block: "center", inline: "center" });
  cell?.select();
}

function field(/** @type {string} */ label) {
  const input = document.createElement("input");
  input.type = "text";
  input.setAttribute("aria-label", label);
  return input;
}

/** Up, down and Enter go from row to row, as in a sheet on paper; Enter in the last row makes another. */
function moved(/** @type {KeyboardEvent} */ event) {
  const table = tableOf(event.target);
  const step = { ArrowDown: 1, Enter: 1, ArrowUp: -1 }[event.key];
  const cell = /** @type {HTMLTableCellElement|null} */ (/** @type {Element} */ (event.target).closest("td, th"));
  if (!table || !step || !cell) return;
  event.preventDefault();
  const row = /** @type {HTMLTableRowElement} */ (cell.parentElement);
  const next = table.rows[row.rowIndex + step] ?? (event.key === "Enter" ? growRow(table) : null);
  next?.cells[cell.cellIndex]?.querySelector("input")?.select();
}

/** A block pasted from a sheet fills cells from the focused one on. */
function pasted(/** @type {ClipboardEvent} */ event, /** @type {HTMLTableElement} */ table) {
  const text = event.clipboardData?.getData("text/plain") ?? "";
  const cell = /** @type {HTMLTableCellElement|null} */ (/** @type {Element} */ (event.target).closest("td, th"));
  if (!/[\t\n]/.test(text.trim()) || !cell) return;
  event.preventDefault();
  const top = /** @type {HTMLTableRowElement} */ (cell.parentElement).rowIndex, left = cell.cellIndex;
  text.trimEnd().split(/\r?\n/).forEach((line, i) => {
    while (table.rows.length <= top + i) growRow(table);
    line.split("\t").forEach((value, j) => {
      while (table.rows[0].cells.length <= left + j) growColumn(table);
      const input = table.rows[top + i].cells[left + j].querySelector("input");
      if (input) input.value = value.trim();
    });
  });
  later(table);
}
