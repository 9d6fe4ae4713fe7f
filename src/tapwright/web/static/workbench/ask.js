/** Asking the workbench's server: JSON in, JSON out; what came of it is said in one place. */

const said = () => /** @type {HTMLElement} */ (document.getElementById("said"));

/**
 * Say something above the page; empty takes it away.
 * @param {string} text
 * @param {"trouble"|"work"|"done"} [kind]
 * @param {number} [undo] the journal's number of the change, where it can be taken back
 */
export function say(text, kind = "trouble", undo = 0) {
  const place = said();
  place.textContent = text;
  place.dataset.kind = kind;
  if (!text) return;
  if (undo) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "small";
    button.dataset.undo = String(undo);
    button.textContent = "Undo";
    place.append(" ", button);
  }
}

/** Post and return the answer, null where it was refused (which is said). @param {string} route @param {unknown} [body] */
export function post(route, body = {}) {
  return asked(route, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
}

/** Get JSON, null where it was refused (which is said). @param {string} route */
export function get(route) {
  return asked(route, {});
}

async function asked(/** @type {string} */ route, /** @type {RequestInit} */ how) {
  try {
    const answer = await fetch(route, how);
    const told = await answer.json();
    if (!answer.ok) say(told.error ?? "refused");
    else if (told.stopped) say("Stopped.", "work");
    return answer.ok && !told.stopped ? told : null;
  } catch {
    say("the workbench does not answer: is it still running?");
    return null;
  }
}
