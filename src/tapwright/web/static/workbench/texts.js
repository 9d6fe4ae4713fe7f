/** Text files edited by hand, checked as they are typed; the supply plan's numbers beside it, its outcome at once. */

import { post } from "./ask.js";

const AFTER_MS = 350;
const NUMBER = /^(\s*)([A-Za-z_]+)(\s*=\s*)(-?\d[\d_]*(?:\.\d+)?(?:[eE][-+]?\d+)?)(\s*(?:#.*)?)$/;

/** Wire every text on the page. */
export function wire() {
  for (const form of document.querySelectorAll("[data-text]")) wireOne(/** @type {HTMLFormElement} */ (form));
}

function wireOne(/** @type {HTMLFormElement} */ form) {
  const area = /** @type {HTMLTextAreaElement} */ (form.querySelector("textarea"));
  const name = form.dataset.text ?? "";
  let timer = 0, asked = 0;
  const look = async () => {
    asked += 1;
    const mine = asked;
    const told = await post(`/try/${name}`, { text: area.value });
    // An older answer that comes late says nothing about what stands there now.
    if (!told || mine !== asked) return;
    const complaint = form.querySelector(".complaint");
    if (complaint) complaint.textContent = told.complaint;
    outcome(form, told);
  };
  const later = () => {
    clearTimeout(timer);
    timer = setTimeout(look, AFTER_MS);
  };
  area.addEventListener("input", () => {
    numbers(form, area, later);
    later();
  });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    await post(`/text/${name}`, { text: area.value });
  });
  numbers(form, area, later);
  if (form.querySelector(".tried") && area.value) look();
}

/** Every plain number of the plan as a field; moving one moves the text. */
function numbers(/** @type {HTMLFormElement} */ form, /** @type {HTMLTextAreaElement} */ area, /** @type {() => void} */ changed) {
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
      changed();
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
