/** The overlay for video: transparent, styled by the address, steady, honest about a lost signal.
 *
 * ?size=96 (px) &colour=ffffff &font=FAMILY &show=reading,unit,flags,state,name &background=00ff00 &align=left|right|centre
 * &shadow=no &places=5 (characters kept free for the figure)
 */

import { feed, instrument, open } from "./feed.js";
import { figure, places } from "./format.js";
import { STATUS_WORDS } from "./names.js";
import { shown, state, why } from "./state.js";

const TICK_MS = 200;
const CALM = ["ok", "overload", "blank"]; // statuses of certain readings
const PARTS = ["reading", "unit", "flags", "state", "name"];
const find = (/** @type {string} */ id) => /** @type {HTMLElement} */ (document.getElementById(id));
const query = new URLSearchParams(location.search);
const box = find("reading");
let widest = Number(query.get("places")) || 0;
let widestUnit = 0;
let sayState = true;
let fit = 1; // the smallest scale that was needed: the figure never runs out of the picture, and never jumps back

function style() {
  const set = (/** @type {string} */ name, /** @type {string} */ value) => document.documentElement.style.setProperty(name, value);
  const size = Number(query.get("size"));
  if (size >= 8 && size <= 800) set("--over-size", `${size}px`);
  const colour = hexColour(query.get("colour")), background = hexColour(query.get("background"));
  if (colour) set("--over-colour", colour);
  if (background) document.body.style.background = background;
  const font = query.get("font");
  if (font && /^[\w -]{1,40}$/.test(font)) set("--over-font", `"${font}", ui-sans-serif, sans-serif`);
  if (query.get("shadow") === "no") set("--over-shadow", "none");
  box.dataset.align = query.get("align") ?? "left";
  const wanted = query.get("show")?.split(",").filter((part) => PARTS.includes(part)) ?? ["reading", "unit", "flags", "state"];
  find("value").hidden = !wanted.includes("reading");
  find("unit").hidden = !wanted.includes("unit");
  find("flags").hidden = !wanted.includes("flags");
  find("name").hidden = !wanted.includes("name");
  sayState = wanted.includes("state");
}

function hexColour(/** @type {string|null} */ text) {
  return text && /^[0-9a-f]{3}([0-9a-f]{3})?([0-9a-f]{2})?$/i.test(text) ? `#${text}` : "";
}

function draw() {
  const now = shown(), reading = state.reading;
  box.dataset.state = now;
  find("value").textContent = reading ? (reading.status === "blank" ? " " : figure(reading.display)) : "–";
  find("value").toggleAttribute("data-nothing", find("value").textContent === figure(""));
  find("unit").textContent = reading?.unit ?? "";
  find("flags").textContent = reading?.flags ?? "";
  widest = Math.max(widest, places(find("value").textContent ?? ""));
  widestUnit = Math.max(widestUnit, [...(reading?.unit ?? "")].length);
  document.documentElement.style.setProperty("--over-places", `${widest}ch`);
  document.documentElement.style.setProperty("--over-unit-places", `${widestUnit}ch`);
  find("name").textContent = instrument || (state.link?.instrument ?? "");
  // A lost signal and an uncertain reading are said whatever the address asks for: neither may pass for a live, proven one.
  const lost = now === "stale" || now === "none";
  const certain = CALM.includes(now);
  box.dataset.certain = String(certain || lost);
  find("word").textContent = lost ? why() : !certain || (sayState && now !== "ok") ? STATUS_WORDS[now] ?? now : "";
  const wide = Math.max(box.offsetWidth, find("line").scrollWidth) / fit;
  fit = Math.min(fit, innerWidth / Math.max(wide, 1));
  document.documentElement.style.setProperty("--over-fit", String(fit));
}

addEventListener("resize", () => { fit = 1; document.documentElement.style.setProperty("--over-fit", "1"); draw(); });

feed.addEventListener("connection", (event) => { state.connected = event.detail; draw(); });
feed.addEventListener("link", (event) => { state.link = event.detail; draw(); });
feed.addEventListener("reading", (event) => { state.reading = event.detail; draw(); });
style();
draw();
open();
setInterval(draw, TICK_MS);
