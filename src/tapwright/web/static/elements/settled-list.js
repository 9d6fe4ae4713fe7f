/** Settled readings, newest first; for ohms the preferred value it may be, with its deviation. */

import { ask } from "../feed.js";
import { clock, figure } from "../format.js";
import { ROUTES } from "../names.js";

const MOST = 200;

class SettledList extends HTMLElement {
  connectedCallback() {
    this.innerHTML = `<div class="scroll" tabindex="0" role="region" aria-label="settled readings"><table class="numbers">
      <thead><tr><th scope="col">at</th><th scope="col">reading</th><th scope="col">spread</th><th scope="col">may be</th></tr></thead>
      <tbody></tbody></table></div><p class="note">A reading is listed once it holds within a few counts for a while.</p>`;
    this.body = this.querySelector("tbody");
  }

  /** List what the server knows and this list does not: after a lost connection too. */
  async refresh() {
    const answer = await ask(ROUTES.settled, { limit: MOST });
    for (const item of answer?.settled ?? []) this.add(item);
  }

  add(/** @type {any} */ item) {
    const rows = [...this.body.rows], at = String(item.t);
    if (rows.some((row) => row.dataset.t === at)) return;
    const row = document.createElement("tr");
    row.dataset.t = at;
    const unit = item.unit ? ` ${item.unit}` : "";
    const may = item.preferred
      ? `${item.preferred.text} (${item.preferred.series}, ${item.preferred.deviation_percent >= 0 ? "+" : "−"}${Math.abs(item.preferred.deviation_percent).toFixed(1)} %)` : "";
    for (const text of [clock(item.t), figure(item.display) + unit, item.spread == null ? "" : `${item.spread}${unit}`, may]) {
      const cell = document.createElement("td");
      cell.textContent = text;
      row.append(cell);
    }
    this.body.insertBefore(row, rows.find((other) => Number(other.dataset.t) < item.t) ?? null);
    while (this.body.rows.length > MOST) this.body.lastElementChild.remove();
  }
}

customElements.define("settled-list", SettledList);
