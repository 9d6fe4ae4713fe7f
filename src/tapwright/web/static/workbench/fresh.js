/** Keeps what the server says on the page: parts marked data-live are replaced when anything has changed. */

let stamp = Number(document.body.dataset.stamp ?? 0);
let busy = false;

/** Fetch this page anew and put its live parts in place; a part that holds the focus stays as it is. */
export async function refresh() {
  if (busy) return;
  busy = true;
  try {
    const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
    if (!answer.ok) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    for (const part of document.querySelectorAll("[data-live]")) {
      const name = /** @type {HTMLElement} */ (part).dataset.live;
      const now = fresh.querySelector(`[data-live="${name}"]`);
      if (now && now.innerHTML !== part.innerHTML && !part.contains(document.activeElement)) part.replaceWith(document.adoptNode(now));
    }
    stamp = Number(fresh.body.dataset.stamp ?? stamp);
  } catch {
    // The server is away; the event stream says so when it is back.
  } finally {
    busy = false;
  }
}

/** Follow the server's changes. */
export function follow() {
  const events = new EventSource("/events");
  events.onmessage = (event) => {
    const state = JSON.parse(event.data);
    if (state.stamp !== stamp) refresh();
  };
}
