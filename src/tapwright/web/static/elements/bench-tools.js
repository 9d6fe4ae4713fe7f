/** For busy hands: notes while recording, spoken readings, a tone beyond a threshold, the state of recording. */

import { ask, change } from "../feed.js";
import { clock, spoken } from "../format.js";
import { ROUTES } from "../names.js";

const TONE_HZ = 660;

class BenchTools extends HTMLElement {
  connectedCallback() {
    this.innerHTML = `<form><label class="hush" for="note">Note</label>
        <input id="note" type="text" maxlength="200" placeholder="what happens now" autocomplete="off"><button>Note it</button></form>
      <ul aria-label="notes"></ul>
      <div class="row"><button type="button" class="speak" aria-pressed="false">Speak settled readings</button></div>
      <div class="row"><button type="button" class="tone" aria-pressed="false">Tone</button>
        <label>when <select class="side"><option value="above">above</option><option value="below">below</option></select></label>
        <label class="hush" for="limit">limit</label><input id="limit" type="number" step="any" placeholder="limit"></div>
      <p class="note recording" role="status"></p><p class="note said" role="status"></p>`;
    this.querySelector("form").addEventListener("submit", (event) => {
      event.preventDefault();
      this.note();
    });
    for (const name of ["speak", "tone"]) this.querySelector(`.${name}`).addEventListener("click", () => this.toggle(name));
  }

  /** Show what the server knows: notes that came while there was no connection too. */
  async refresh() {
    const [notes, recording] = await Promise.all([ask(ROUTES.markers), ask(ROUTES.recording)]);
    for (const item of notes?.markers ?? []) this.marker(item);
    if (recording) this.recording(recording);
  }

  async note() {
    const field = /** @type {HTMLInputElement} */ (this.querySelector("#note"));
    const text = field.value.trim();
    if (!text) return;
    const [ok, answer] = await change(ROUTES.markers, { text });
    if (ok) field.value = "";
    this.say(ok ? "" : `not noted: ${answer.error ?? "refused"}`);
  }

  marker(/** @type {any} */ item) {
    const list = this.querySelector("ul"), rows = [...list.children];
    const row = document.createElement("li");
    row.dataset.t = String(item.t);
    row.textContent = `${clock(item.t)} ${item.text}`;
    if (rows.some((other) => other.dataset.t === row.dataset.t && other.textContent === row.textContent)) return;
    list.insertBefore(row, rows.find((other) => Number(other.dataset.t) < item.t) ?? null);
  }

  recording(/** @type {any} */ now) {
    const words = { off: "Not recording.", idle: "Recording begins with the first reading.", paused: "Recording is paused.",
      recording: `Recording to ${now.where}.`, stopped: `Recording has stopped: ${now.text}` };
    this.querySelector(".recording").textContent = words[/** @type {keyof typeof words} */ (now.state)] ?? now.text;
  }

  say(/** @type {string} */ text) {
    this.querySelector(".said").textContent = text;
  }

  focusNote() {
    /** @type {HTMLElement} */ (this.querySelector("#note")).focus();
  }

  toggle(/** @type {string} */ name) {
    const button = this.querySelector(`.${name}`);
    const on = button.getAttribute("aria-pressed") !== "true";
    button.setAttribute("aria-pressed", String(on));
    if (name === "speak" && on && "speechSynthesis" in window) speechSynthesis.speak(new SpeechSynthesisUtterance("speaking"));
    if (name === "tone") this.setTone(false);
  }

  settled(/** @type {any} */ item) {
    if (this.querySelector(".speak").getAttribute("aria-pressed") !== "true" || !("speechSynthesis" in window)) return;
    speechSynthesis.cancel();
    speechSynthesis.speak(new SpeechSynthesisUtterance(spoken(item)));
  }

  heard(/** @type {any} */ reading) {
    const on = this.querySelector(".tone").getAttribute("aria-pressed") === "true";
    const limit = parseFloat(/** @type {HTMLInputElement} */ (this.querySelector("#limit")).value);
    const above = /** @type {HTMLSelectElement} */ (this.querySelector(".side")).value === "above";
    const beyond = reading.status === "ok" && reading.value != null && Number.isFinite(limit)
      && (above ? reading.value > limit : reading.value < limit);
    this.setTone(on && beyond);
  }

  setTone(/** @type {boolean} */ on) {
    if (on && !this.tone) {
      this.audio ??= new AudioContext();
      this.tone = this.audio.createOscillator();
      const gain = this.audio.createGain();
      gain.gain.value = 0.1;
      this.tone.frequency.value = TONE_HZ;
      this.tone.connect(gain).connect(this.audio.destination);
      this.tone.start();
    } else if (!on && this.tone) {
      this.tone.stop();
      this.tone = null;
    }
  }
}

customElements.define("bench-tools", BenchTools);
