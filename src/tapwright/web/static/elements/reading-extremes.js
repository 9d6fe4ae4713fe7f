/** Smallest, greatest, mean and spread since the last reset, per unit shown now. */

import { ask, change, feed } from "../feed.js";
import { clock, withUnit } from "../format.js";
import { ROUTES } from "../names.js";

const EVERY_MS = 1500;

class ReadingExtremes extends HTMLElement {
  connectedCallback() {
    this.innerHTML = `<dl><div><dt>smallest</dt><dd class="min">–</dd></div><div><dt>greatest</dt><dd class="max">–</dd></div>
      <div><dt>mean</dt><dd class="mean">–</dd></div><div><dt>spread (standard deviation)</dt><dd class="sd">–</dd></div>
      <div><dt class="since">readings</dt><dd class="n">–</dd></div></dl>
      <button type="button">Begin anew</button>`;
    this.querySelector("button").addEventListener("click", () => this.reset());
    this.unit = "";
    feed.addEventListener("reading", (event) => {
      if (event.detail.status === "ok") this.unit = event.detail.unit;
    });
    this.timer = setInterval(() => document.hidden || this.refresh(), EVERY_MS);
    this.refresh();
  }

  disconnectedCallback() {
    clearInterval(this.timer);
  }

  async reset() {
    const [ok, answer] = await change(ROUTES.reset);
    if (ok) this.draw(answer);
  }

  async refresh() {
    const answer = await ask(ROUTES.statistics);
    if (answer) this.draw(answer);
  }

  draw(/** @type {any} */ answer) {
    const now = answer.units?.[this.unit];
    const set = (/** @type {string} */ name, /** @type {string} */ text) => { this.querySelector(name).textContent = text; };
    set(".min", withUnit(now?.min, this.unit, 6));
    set(".max", withUnit(now?.max, this.unit, 6));
    set(".mean", withUnit(now?.mean, this.unit, 5));
    set(".sd", withUnit(now?.sd, this.unit, 3));
    set(".n", now ? String(now.n) : "–");
    set(".since", `proven readings since ${clock(answer.since)}`);
  }
}

customElements.define("reading-extremes", ReadingExtremes);
