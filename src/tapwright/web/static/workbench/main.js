/** The workbench's pages: wires what is on this one. */

import { post, say } from "./ask.js";
import * as captions from "./captions.js";
import * as drop from "./drop.js";
import { enlarge, follow, refresh } from "./fresh.js";
import * as labelling from "./labelling.js";
import * as live from "./live.js";
import * as tables from "./tables.js";
import * as texts from "./texts.js";

const DONE = Object.freeze({
  learn: "The reading map is kept in instrument.toml.", unmask: "The mask is kept in mask.toml.",
  report: "The dossier is written.", work: "", "work-stop": "Stopped.", "live-stop": "The live page is stopped.",
});
const DOING = Object.freeze({ learn: "keeping the reading map …", unmask: "keeping the mask …", report: "writing the dossier …" });

document.addEventListener("click", async (event) => {
  const button = /** @type {HTMLButtonElement|null} */ (/** @type {Element} */ (event.target).closest("button"));
  if (!button) return;
  const { do: what, remove, undo, zoom } = button.dataset;
  if (zoom !== undefined) enlarge(button);
  else if (what) start(button, what);
  else if (remove) {
    const told = await post("/remove", { file: remove });
    if (told) say(`${told.removed} is taken out`, "done", told.number);
    refresh();
  } else if (undo) {
    const told = await post(`/undo/${undo}`);
    if (!told) return;
    if (location.pathname === "/journal") location.reload();
    say(`taken back: ${told.file} is as it was`, "done", told.number);
    refresh();
  }
});

async function start(/** @type {HTMLButtonElement} */ button, /** @type {string} */ what) {
  button.disabled = true;
  say(DOING[/** @type {keyof typeof DOING} */ (what)] ?? "", "work");
  const told = await post(`/do/${what}`);
  button.disabled = false;
  if (!told) return;
  if (what === "live-stop") location.reload();
  const done = DONE[/** @type {keyof typeof DONE} */ (what)] ?? "";
  say(told.changed === false ? `${done} Nothing of it has changed.` : done, "done", told.number);
  if (what === "report") renewMain();
  refresh();
}

/** The dossier page lists what was written; it is short, so it is fetched whole. */
async function renewMain() {
  const fresh = new DOMParser().parseFromString(await (await fetch(location.href)).text(), "text/html");
  for (const section of fresh.querySelectorAll("main > section")) {
    document.querySelector(`main > section[aria-label="${section.getAttribute("aria-label")}"]`)?.replaceWith(document.adoptNode(section));
  }
}

document.addEventListener("submit", async (event) => {
  const form = /** @type {HTMLFormElement} */ (event.target);
  const data = Object.fromEntries(new FormData(form).entries());
  if (form.dataset.sampling !== undefined) {
    event.preventDefault();
    const told = await post("/sampling", { capture: form.dataset.sampling, ...data });
    if (told) say("the sample rate is kept", "done", told.number);
    refresh();
  } else if (form.dataset.point !== undefined) {
    event.preventDefault();
    say("looking at it …", "work");
    const told = await post("/point", data);
    if (told) {
      say(`${told.file} is used where it lies`, "done", told.number);
      form.reset();
    }
    refresh();
  } else if (form.dataset.liveStart !== undefined) {
    event.preventDefault();
    say("starting …", "work");
    if (await post("/do/live", data)) location.reload();
  } else if (form.dataset.board !== undefined) {
    event.preventDefault();
    say("writing the board's files …", "work");
    if (await post("/do/board", { allow_unproven: "allow_unproven" in data })) {
      say("the board's files are written", "done");
      renewMain();
    }
  }
});

drop.wire();
tables.wire();
texts.wire();
labelling.wire();
captions.wire();
live.follow();
follow();
