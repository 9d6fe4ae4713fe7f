/** Files dropped or chosen: sent as they are, in pieces, with progress; the page stays usable meanwhile. */

import { say } from "./ask.js";
import { refresh } from "./fresh.js";

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
  });
  document.addEventListener("change", (event) => {
    const input = /** @type {HTMLInputElement} */ (event.target);
    const place = input.type === "file" ? placeOf(input) : null;
    if (place) {
      send(place, [...(input.files ?? [])]);
      input.value = "";
    }
  });
}

function placeOf(/** @type {EventTarget|null} */ target) {
  return /** @type {HTMLElement|null} */ (target instanceof Element ? target.closest(".drop") : null);
}

async function send(/** @type {HTMLElement} */ place, /** @type {File[]} */ files) {
  for (const file of files) {
    const trouble = await one(place, file);
    say(trouble ? `${file.name}: ${trouble}` : "");
  }
  if (place.dataset.reload !== undefined || place.closest("section")?.querySelector("[data-grid]")) location.reload();
  else refresh();
  place.dispatchEvent(new CustomEvent("dropped", { bubbles: true }));
}

/** Send one file; returns what went wrong, empty for nothing. */
function one(/** @type {HTMLElement} */ place, /** @type {File} */ file) {
  const bar = /** @type {HTMLProgressElement} */ (place.querySelector("progress"));
  return new Promise((done) => {
    // XMLHttpRequest, since fetch tells nothing of how far an upload is.
    const request = new XMLHttpRequest();
    request.open("POST", `/drop/${place.dataset.drop}?name=${encodeURIComponent(file.name)}`);
    request.upload.onprogress = (event) => {
      bar.hidden = false;
      bar.value = event.lengthComputable ? event.loaded / event.total : 0;
    };
    request.onloadend = () => {
      bar.hidden = true;
      let told = {};
      try {
        told = JSON.parse(request.responseText);
      } catch {
        told = {};
      }
      done(request.status === 200 ? "" : told.error ?? "it could not be sent");
    };
    request.send(file);
  });
}
