/** The figure: reading, unit, flags, and in words how far to trust it. Only draws what it is handed. */

import { age, figure, places } from "../format.js";
import { quietSeconds } from "../feed.js";
import { STATUS_WORDS } from "../names.js";
import { shown, why } from "../state.js";

/** A sign of the unit in widths of a digit: 0.42 of its size, and up to a digit and a half wide (m, W). */
const UNIT_WIDTH = 0.5;
const NOTHING = figure("");

class LiveReading extends HTMLElement {
  connectedCallback() {
    this.innerHTML = `<p class="figure"><span class="value">–</span><span class="unit"></span></p>
      <ul class="flags" aria-label="flags on the display"></ul>
      <p class="trust"><strong></strong> <span class="when numbers"></span></p>`;
    this.value = this.querySelector(".value");
    this.unit = this.querySelector(".unit");
    this.flags = this.querySelector(".flags");
    this.word = this.querySelector(".trust strong");
    this.when = this.querySelector(".when");
    this.widest = 0;
    this.widestUnit = 0;
    this.tallest = 0;
    this.figure = this.querySelector(".figure");
    addEventListener("resize", () => {
      this.tallest = 0;
      this.figure.style.minHeight = "";
    });
    this.flagText = "";
  }

  /** @param {{reading: any}} state */
  render({ reading }) {
    const now = shown();
    this.dataset.state = now;
    if (!reading) {
      this.word.textContent = "no reading yet";
      this.when.textContent = why() === "no signal" ? "" : why();
      return;
    }
    const text = reading.status === "blank" && !reading.display ? " " : figure(reading.display);
    if (this.value.textContent !== text) this.value.textContent = text;
    this.widest = Math.max(this.widest, Math.min(places(text), 9));
    this.value.style.setProperty("--places", `${this.widest}ch`);
    this.value.toggleAttribute("data-nothing", text === NOTHING);
    this.unit.textContent = reading.unit ?? "";
    this.widestUnit = Math.max(this.widestUnit, [...(reading.unit ?? "")].length);
    this.style.setProperty("--count", String(this.widest + UNIT_WIDTH * this.widestUnit));
    // A longer reading makes the figure smaller; what stands below it stays where it is.
    if (this.figure.offsetHeight > this.tallest) {
      this.tallest = this.figure.offsetHeight;
      this.figure.style.minHeight = `${this.tallest}px`;
    }
    if (this.flagText !== reading.flags) {
      this.flagText = reading.flags;
      this.flags.replaceChildren(...(reading.flags ? reading.flags.split(" ") : []).map((flag) => {
        const item = document.createElement("li");
        item.textContent = flag === "?" ? "more flags may be on" : flag;
        return item;
      }));
    }
    this.word.textContent = now === "stale" ? why() : STATUS_WORDS[now] ?? now;
    const note = now !== "stale" && reading.note ? ` · ${reading.note}` : "";
    this.when.textContent = `· reading ${reading.seq}, ${age(quietSeconds())}${note}`;
  }
}

customElements.define("live-reading", LiveReading);
