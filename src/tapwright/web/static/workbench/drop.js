/** Files dropped or chosen: sent as they are, in pieces, with progress and a stop; the page stays usable meanwhile. */

import { say } from "./ask.js";
import { refresh } from "./fresh.js";

/** @type {WeakMap<Element, XMLHttpRequest>} */
const running = new WeakMap();

/** Wire every drop place on the page. */
export function wire() {
  document.addEventListener("dragover", (event) => {
    const place = placeOf(event.target);
    // A file dropped beside a place must not replace the page.
    event.preventDefault();
    for (const other of document.querySelectorAll(".drop.over")) if (other !== place) other.classList.remove("over");
    place?.classList.add("over");
  });
  document.addEventListener("drop", (event) => {
    event.preventDefault();
    const place = placeOf(event.target);
    place?.classList.remove("over");
    if (place && event.dataTransfer) send(place, [...event.dataTransfer.files]);
    else if (event.dataTransfer?.files.length) say("drop it on one of the dashed places: each takes its own kind of file");
  });
  document.addEventListener("change", (event) => {
    const input = /** @type {HTMLInputElement} */ (event.target);
    const place = input.type === "file" ? placeOf(input) : null;
    if (place) {
      send(place, [...(input.files ?? [])]);
      input.value = "";
    }
  });
  document.addEventListener("click", (event) => {
    const place = /** @type {Element} */ (event.target).closest("[data-send-stop]")?.closest(".drop");
    if (place) running.get(place)?.abort();
  });
}

function placeOf(/** @type {EventTarget|null} */ target) {
  return /** @type {HTMLElement|null} */ (target instanceof Element ? target.closest(".drop") : null);
}

async function send(/** @type {HTMLElement} */ place, /** @type {File[]} */ files) {
  const taken = [];
  let number = 0;
  for (const file of files) {
    say(`sending ${file.name} …`, "work");
    const told = await one(place, file);
    if (told.error) {
      say(`${file.name}: ${told.error}`);
      continue;
    }
    taken.push(told.file);
    number = told.number ?? 0;
    if (told.complaint) say(`${told.file} was taken, but it cannot be read yet: ${told.complaint}`, "trouble", number);
    else say(`${taken.join(", ")} taken`, "done", taken.length === 1 ? number : 0);
  }
  refresh();
  if (taken.length) place.dispatchEvent(new CustomEvent("dropped", { bubbles: true, detail: { kind: place.dataset.drop, files: taken } }));
}

/** Send one file; returns what the server told, `error` where something went wrong. */
function one(/** @type {HTMLElement} */ place, /** @type {File} */ file) {
  const line = /** @type {HTMLElement} */ (place.querySelector(".sending"));
  const bar = /** @type {HTMLProgressElement} */ (line.querySelector("progress"));
  const count = /** @type {HTMLElement} */ (line.querySelector("span"));
  return new Promise((/** @type {(told: any) => void} */ done) => {
    // XMLHttpRequest, since fetch tells nothing of how far an upload is.
    const request = new XMLHttpRequest();
    request.open("POST", `/drop/${place.dataset.drop}?name=${encodeURIComponent(file.name)}`);
    let stopped = false;
    request.upload.onprogress = (event) => {
      line.hidden = false;
      bar.value = event.lengthComputable ? event.loaded / event.total : 0;
      count.textContent = `${Math.round(event.loaded / 1e6)} of ${Math.round(event.total / 1e6)} MB`;
    };
    request.onabort = () => {
      stopped = true;
    };
    request.onloadend = () => {
      line.hidden = true;
      running.delete(place);
      let told = {};
      try {
        told = JSON.parse(request.responseText);
      } catch {
        told = {};
      }
      done(request.status === 200 ? told : { error: stopped ? "stopped; nothing of it is kept" : told.error ?? "it could not be sent" });
    };
    running.set(place, request);
    request.send(file);
  });
}
