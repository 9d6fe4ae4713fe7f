/** Asking the workbench's server: JSON in, JSON out, trouble said in one place. */

const said = () => /** @type {HTMLElement} */ (document.getElementById("said"));

/** Say something above the page; empty takes it away. @param {string} text */
export function say(text) {
  said().textContent = text;
  if (text) said().scrollIntoView({ block: "nearest" });
}

/** Post and return the answer, null where it was refused (which is said). @param {string} route @param {unknown} [body] */
export async function post(route, body = {}) {
  try {
    const answer = await fetch(route, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
    const told = await answer.json();
    say(answer.ok ? "" : told.error ?? "refused");
    return answer.ok ? told : null;
  } catch {
    say("the workbench does not answer: is it still running?");
    return null;
  }
}

/** Get JSON, null where it was refused (which is said). @param {string} route */
export async function get(route) {
  try {
    const answer = await fetch(route);
    const told = await answer.json();
    say(answer.ok ? "" : told.error ?? "refused");
    return answer.ok ? told : null;
  } catch {
    say("the workbench does not answer: is it still running?");
    return null;
  }
}
