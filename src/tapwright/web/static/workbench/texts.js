/** Text files edited by hand, checked as they are typed; the supply plan's numbers beside it, its outcome at once. */

import { post, say } from "./ask.js";
import { refresh, take } from "./fresh.js";

const AFTER_MS = 350;
const NUMBER = /^(\s*)([A-Za-z_]+)(\s*=\s*)(-?\d[\d_]*(?:\.\d+)?(?:[eE][-+]?\d+)?)(\s*(?:#.*)?)$/;

/** @type {WeakMap<HTMLFormElement, {timer: number, asked: number}>} */
const states = new WeakMap();

/** Wire all texts, also those that come onto the page later. */
export function wire() {
  document.addEventListener("input", (event) => {
    const area = /** @type {HTMLTextAreaElement} */ (event.target);
    const form = area instanceof HTMLTextAreaElement ? formOf(area) : null;
    if (!form) return;
    numbers(form, area);
    later(form);
  });
  document.addEventListener("submit", (event) => {
    const form = formOf(event.target);
    if (!form) return;
    event.preventDefault();
    keep(form);
  });
  document.addEventListener("click", (event) => {
    const form = /** @type {Element} */ (event.target).matches("[data-take-outside]") ? formOf(event.target) : null;
    if (form) take(areaOf(form), areaOf(form).dataset.outside ?? "");
  });
  for (const form of /** @type {NodeListOf<HTMLFormElement>} */ (document.querySelectorAll("[data-text]"))) {
    numbers(form, areaOf(form));
    // A form that is only begun has no outcome of its own yet.
    if (form.querySelector(".tried") && !form.querySelector("[data-begun]")) look(form);
  }
}

const areaOf = (/** @type {HTMLFormElement} */ form) => /** @type {HTMLTextAreaElement} */ (form.querySelector("textarea"));

function formOf(/** @type {EventTarget|null} */ target) {
  return /** @type {HTMLFormElement|null} */ (target instanceof Element ? target.closest("[data-text]") : null);
}

function stateOf(/** @type {HTMLFormElement} */ form) {
  const state = states.get(form) ?? { timer: 0, asked: 0 };
  states.set(form, state);
  return state;
}

function later(/** @type {HTMLFormElement} */ form) {
  const state = stateOf(form);
  clearTimeout(state.timer);
  state.timer = setTimeout(() => look(form), AFTER_MS);
  note(form, areaOf(form).value === areaOf(form).defaultValue ? "" : "not kept yet");
}

async function look(/** @type {HTMLFormElement} */ form) {
  const state = stateOf(form);
  state.asked += 1;
  const mine = state.asked;
  const told = await post(`/try/${form.dataset.text}`, { text: areaOf(form).value });
  // An older answer that comes late says nothing about what stands there now.
  if (!told || mine !== state.asked) return;
  complain(form, told.complaint);
  outcome(form, told);
}

async function keep(/** @type {HTMLFormElement} */ form) {
  const area = areaOf(form), text = area.value;
  const told = await post(`/text/${form.dataset.text}`, { text });
  if (!told) return;
  area.defaultValue = text;
  form.querySelector("[data-begun]")?.remove();
  complain(form, "");
  note(form, "kept");
  say(`${told.file} is kept`, "done", told.number);
  refresh();
}

function complain(/** @type {HTMLFormElement} */ form, /** @type {string} */ text) {
  const place = form.querySelector(".complaint");
  if (place) place.textContent = text;
}

function note(/** @type {HTMLFormElement} */ form, /** @type {string} */ text) {
  const place = form.querySelector("[data-kept]");
  if (place) place.textContent = text;
}

/** Every plain number of the plan as a field; moving one moves the text. */
function numbers(/** @type {HTMLFormElement} */ form, /** @type {HTMLTextAreaElement} */ area) {
  const box = form.querySelector(".numbers-of");
  if (!box || box.contains(document.activeElement)) return;
  const lines = area.value.split("\n");
  const fields = [];
  let table = "";
  lines.forEach((line, i) => {
    const head = /^\s*\[+([^\]]+)\]/.exec(line);
    if (head) table = head[1];
    const match = NUMBER.exec(line);
    if (!match) return;
    const label = document.createElement("label");
    label.textContent = table ? `${table}.${match[2]} ` : `${match[2]} `;
    const input = document.createElement("input");
    input.type = "number";
    input.step = "any";
    input.value = match[4].replaceAll("_", "");
    input.addEventListener("input", () => {
      const now = area.value.split("\n");
      if (!Number.isFinite(input.valueAsNumber) || !NUMBER.test(now[i])) return;
      now[i] = now[i].replace(NUMBER, (_, a, b, c, d, e) => `${a}${b}${c}${input.value}${e}`);
      area.value = now.join("\n");
      later(form);
    });
    label.append(input);
    fields.push(label);
  });
  const legend = box.querySelector("legend");
  box.replaceChildren(...(legend ? [legend] : []), ...fields);
  /** @type {HTMLElement} */ (box).hidden = fields.length === 0;
}

function outcome(/** @type {HTMLFormElement} */ form, /** @type {any} */ told) {
  const place = form.querySelector(".tried");
  if (!place || !told.verdict) return;
  const failing = told.checks.filter((/** @type {any} */ check) => !check.ok);
  const line = document.createElement("p");
  line.className = "answer";
  line.textContent = `With these numbers: ${told.verdict}` + (failing.length ? `; not ok: ${failing.map((/** @type {any} */ c) => c.name).join(", ")}` : "");
  const picture = new DOMParser().parseFromString(told.picture, "image/svg+xml").documentElement;
  place.replaceChildren(line, document.adoptNode(picture));
}
