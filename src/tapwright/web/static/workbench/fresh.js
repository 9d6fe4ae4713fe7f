/** Keeps what the server says on the page: parts marked data-live are replaced when anything has changed. */

let stamp = Number(document.body.dataset.stamp ?? 0);
let busy = false, again = false;

/** Fetch this page anew and put its live parts in place; a part that is being used stays as it is. */
export async function refresh() {
  if (busy) {
    again = true;
    return;
  }
  busy = true;
  try {
    const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
    if (!answer.ok) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    for (const part of document.querySelectorAll("[data-live]")) renew(/** @type {HTMLElement} */ (part), fresh);
    for (const area of document.querySelectorAll("[data-text] textarea")) renewText(/** @type {HTMLTextAreaElement} */ (area), fresh);
    stamp = Number(fresh.body.dataset.stamp ?? stamp);
  } catch {
    // The server is away; the event stream says so when it is back.
  } finally {
    busy = false;
    if (again) {
      again = false;
      refresh();
    }
  }
}

function renew(/** @type {HTMLElement} */ part, /** @type {Document} */ fresh) {
  const now = fresh.querySelector(`[data-live="${part.dataset.live}"]`);
  const used = part.contains(document.activeElement) && part.querySelector("input, textarea, select") !== null;
  // What was typed and is not kept yet must not be lost; a text by hand has its own way below.
  if (!now || used || part.dataset.typing !== undefined || part.querySelector("[data-text]")) return;
  if (part.dataset.was === undefined ? now.outerHTML === part.outerHTML : now.outerHTML === part.dataset.was) return;
  const choice = part instanceof HTMLSelectElement ? part.value : null;
  const focused = part.contains(document.activeElement) ? labelOf(document.activeElement) : null;
  const enlarged = new Set([...part.querySelectorAll("[data-zoom][aria-pressed=true]")].map(pictureOf));
  const put = /** @type {HTMLElement} */ (document.adoptNode(now));
  part.replaceWith(put);
  if (choice !== null && put instanceof HTMLSelectElement && [...put.options].some((one) => one.value === choice)) put.value = choice;
  for (const button of put.querySelectorAll("[data-zoom]")) if (enlarged.has(pictureOf(button))) enlarge(button);
  if (focused) [...put.querySelectorAll("button, a, summary")].find((one) => labelOf(one) === focused)?.focus();
}

/** What a picture shows, by which it is known again. */
const pictureOf = (/** @type {Element} */ button) => button.closest(".picture")?.querySelector("[aria-label]")?.getAttribute("aria-label");

/** Make a picture larger than the page, or small again. @param {Element} button */
export function enlarge(button) {
  const near = button.closest(".picture")?.classList.toggle("near") ?? false;
  button.setAttribute("aria-pressed", String(near));
  button.textContent = near ? "Smaller" : "Larger";
}

const labelOf = (/** @type {Element|null} */ node) => node?.textContent ?? "";

/** A text that was changed outside is shown, unless something else is being typed there: then that is said. */
function renewText(/** @type {HTMLTextAreaElement} */ area, /** @type {Document} */ fresh) {
  const now = /** @type {HTMLTextAreaElement|null} */ (fresh.getElementById(area.id));
  if (now && !now.form?.querySelector("[data-begun]")) area.form?.querySelector("[data-begun]")?.remove();
  if (!now || now.value === area.defaultValue) return;
  const outside = /** @type {HTMLElement|null} */ (area.form?.querySelector("[data-outside]"));
  if (area.value === area.defaultValue || area.value === now.value) {
    take(area, now.value);
  } else if (outside) {
    outside.hidden = false;
    area.dataset.outside = now.value;
  }
}

/** Put a file's text into its field. @param {HTMLTextAreaElement} area @param {string} text */
export function take(area, text) {
  area.defaultValue = text;
  area.value = text;
  const outside = /** @type {HTMLElement|null} */ (area.form?.querySelector("[data-outside]"));
  if (outside) outside.hidden = true;
  area.dispatchEvent(new Event("input", { bubbles: true }));
}

/** Follow the server's changes, and count the seconds of work that is running. */
export function follow() {
  const events = new EventSource("/events");
  events.onmessage = (event) => {
    const state = JSON.parse(event.data);
    if (state.stamp !== stamp) refresh();
  };
  setInterval(() => {
    const count = /** @type {HTMLElement|null} */ (document.querySelector("[data-since]"));
    if (count) count.textContent = String(Number(count.textContent) + 1);
  }, 1000);
}
