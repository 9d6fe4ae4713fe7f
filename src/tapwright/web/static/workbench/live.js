/** The newest live reading on the workbench's own page, asked for while it is looked at. */

const NO_VALUE = "–";
const EVERY_MS = 700;

/** Follow the reading where the page has a place for it. */
export function follow() {
  const place = document.querySelector("[data-live-reading]");
  if (!place) return;
  const number = /** @type {HTMLElement} */ (place.querySelector(".big")), note = /** @type {HTMLElement} */ (place.querySelector(".note"));
  const ask = async () => {
    try {
      const told = await (await fetch("/live/reading")).json();
      number.textContent = [told.display || NO_VALUE, told.unit].filter(Boolean).join(" ");
      note.textContent = told.on ? [told.flags, told.status].filter(Boolean).join(", ") || "no reading yet" : "it has ended";
    } catch {
      note.textContent = "the workbench does not answer";
    }
  };
  ask();
  setInterval(() => document.hidden || ask(), EVERY_MS);
}
