/** The readout page: hands events to elements, which only draw what they are handed. */

import { ask, feed, instrument, open } from "./feed.js";
import { RANGES, ROUTES } from "./names.js";
import { state } from "./state.js";
import "./elements/bench-tools.js";
import "./elements/found-steps.js";
import "./elements/link-state.js";
import "./elements/live-reading.js";
import "./elements/reading-extremes.js";
import "./elements/settled-list.js";
import "./elements/trend-line.js";

const TICK_MS = 200;
const find = (/** @type {string} */ name) => /** @type {any} */ (document.querySelector(name));
const figure = find("live-reading"), link = find("link-state"), trend = find("trend-line"), tools = find("bench-tools");

feed.addEventListener("connection", (event) => {
  // At the start, and again after a lost connection: the stream tells only what happens from now on.
  if (event.detail) for (const name of ["settled-list", "bench-tools"]) find(name).refresh();
  state.connected = event.detail;
  draw();
});
feed.addEventListener("link", (event) => {
  state.link = event.detail;
  draw();
});
feed.addEventListener("reading", (event) => {
  state.reading = event.detail;
  trend.add(event.detail);
  tools.heard(event.detail);
  draw();
});
feed.addEventListener("settled", (event) => {
  find("settled-list").add(event.detail);
  tools.settled(event.detail);
});
feed.addEventListener("marker", (event) => tools.marker(event.detail));
feed.addEventListener("recording", (event) => tools.recording(event.detail));
feed.addEventListener("dropped", (event) => tools.say(`${event.detail.count} readings did not reach this page in time`));

function draw() {
  figure.render(state);
  link.render(state);
}

function setName(/** @type {string} */ name) {
  find("#name").textContent = name;
  document.title = name;
}

async function setUpNames() {
  const answer = await ask(ROUTES.instruments);
  const list = answer?.instruments ?? [];
  const names = list.map((/** @type {any} */ item) => item.name);
  const mine = list.find((/** @type {any} */ item) => item.name === instrument) ?? list[0];
  if (mine) setName(mine.title || mine.name);
  if (names.length < 2) return;
  const nav = find("#others");
  nav.hidden = false;
  for (const { name, title } of list) {
    const anchor = document.createElement("a");
    anchor.href = `/i/${encodeURIComponent(name)}`;
    anchor.textContent = title || name;
    if (name === (instrument || names[0])) anchor.setAttribute("aria-current", "page");
    nav.append(anchor);
  }
}

function setUpRanges() {
  const box = find("#ranges");
  RANGES.forEach((range, i) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = range.text;
    button.addEventListener("click", () => choose(i));
    box.append(button);
  });
  choose(Number(localStorage.getItem("range") ?? 1));
}

function choose(/** @type {number} */ i) {
  const index = i in RANGES ? i : 1;
  [...find("#ranges").querySelectorAll("button")].forEach((b, j) => b.setAttribute("aria-pressed", String(j === index)));
  localStorage.setItem("range", String(index));
  trend.show(RANGES[index].seconds);
}

function setScheme(/** @type {string|null} */ scheme) {
  if (scheme) document.documentElement.dataset.scheme = scheme;
  trend.redraw();
}

function flipScheme() {
  const dark = document.documentElement.dataset.scheme
    ? document.documentElement.dataset.scheme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
  const next = dark ? "light" : "dark";
  localStorage.setItem("scheme", next);
  setScheme(next);
}

const KEYS = {
  m: () => tools.focusNote(), s: () => tools.toggle("speak"), t: () => tools.toggle("tone"),
  r: () => find("reading-extremes").reset(), d: flipScheme,
  f: () => (document.fullscreenElement ? document.exitFullscreen() : document.documentElement.requestFullscreen?.()),
};
document.addEventListener("keydown", (event) => {
  const typing = /** @type {Element} */ (event.target).closest?.("input, textarea, select");
  if (typing || event.ctrlKey || event.metaKey || event.altKey) return;
  const key = event.key.toLowerCase();
  if (key in KEYS) KEYS[/** @type {keyof typeof KEYS} */ (key)]();
  else if (/^[1-5]$/.test(key)) choose(Number(key) - 1);
  else return;
  event.preventDefault();
});

setScheme(localStorage.getItem("scheme"));
setUpRanges();
setUpNames();
draw();
open();
setInterval(draw, TICK_MS);
