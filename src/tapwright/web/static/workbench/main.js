/** The workbench's pages: wires what is on this one. */

import { post, say } from "./ask.js";
import * as drop from "./drop.js";
import { follow, refresh } from "./fresh.js";
import * as labelling from "./labelling.js";
import * as tables from "./tables.js";
import * as texts from "./texts.js";

const DONE = Object.freeze({
  learn: "kept as instrument.toml", unmask: "kept as mask.toml", report: "the dossier is written",
  work: "", "work-stop": "stopped", "live-stop": "",
});

document.addEventListener("click", async (event) => {
  const button = /** @type {HTMLButtonElement|null} */ (/** @type {Element} */ (event.target).closest("button"));
  if (!button) {
    /** @type {Element} */ (event.target).closest(".picture")?.classList.toggle("near");
    return;
  }
  const { do: what, remove, undo } = button.dataset;
  if (what) {
    button.disabled = true;
    say(what === "work-stop" ? "" : "working …");
    const told = await post(`/do/${what}`);
    button.disabled = false;
    if (told) {
      say(DONE[/** @type {keyof typeof DONE} */ (what)] ?? "done");
      if (["report", "learn", "live-stop"].includes(what)) location.reload();
      else refresh();
    }
  } else if (remove && (await post("/remove", { file: remove }))) refresh();
  else if (undo && (await post(`/undo/${undo}`))) location.reload();
});

document.addEventListener("submit", async (event) => {
  const form = /** @type {HTMLFormElement} */ (event.target);
  const data = Object.fromEntries(new FormData(form).entries());
  if (form.dataset.sampling !== undefined) {
    event.preventDefault();
    if (await post("/sampling", { capture: form.dataset.sampling, ...data })) refresh();
  } else if (form.dataset.point !== undefined) {
    event.preventDefault();
    if (await post("/point", data)) refresh();
  } else if (form.dataset.liveStart !== undefined) {
    event.preventDefault();
    say("starting …");
    if (await post("/do/live", data)) location.reload();
  } else if (form.dataset.board !== undefined) {
    event.preventDefault();
    say("writing …");
    if (await post("/do/board", { allow_unproven: "allow_unproven" in data })) location.reload();
  }
});

drop.wire();
tables.wire();
texts.wire();
labelling.wire();
follow();
