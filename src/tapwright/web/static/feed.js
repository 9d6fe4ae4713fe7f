/** The page's only connection: one event stream, told on as DOM events on `feed`. */

import { EVENTS, ROUTES } from "./names.js";

/** The instrument this page is about: from /i/NAME, else the first. */
export const instrument = (() => {
  const match = /^\/i\/([^/]+)/.exec(location.pathname);
  return match ? decodeURIComponent(match[1]) : "";
})();

/** The access token, from the address's fragment (never sent in the address itself). */
export const token = new URLSearchParams(location.hash.slice(1)).get("token") ?? "";

/** An address with the instrument and further parameters. @param {string} route @param {Record<string, string|number>} [more] */
export function address(route, more = {}) {
  const query = new URLSearchParams();
  if (instrument) query.set("instrument", instrument);
  for (const [key, value] of Object.entries(more)) query.set(key, String(value));
  const text = query.toString();
  return text ? `${route}?${text}` : route;
}

/** Ask for JSON; null where there is none. @param {string} route @param {Record<string, string|number>} [more] */
export async function ask(route, more = {}) {
  try {
    const answer = await fetch(address(route, more), { headers: token ? { Authorization: `Bearer ${token}` } : {} });
    return answer.ok ? await answer.json() : null;
  } catch {
    return null;
  }
}

/** Change something on the server; returns [ok, answer]. @param {string} route @param {unknown} [body] */
export async function change(route, body = {}) {
  try {
    const answer = await fetch(address(route), {
      method: "POST", body: JSON.stringify(body),
      headers: { "Content-Type": "application/json", ...(token ? { Authorization: `Bearer ${token}` } : {}) },
    });
    return [answer.ok, await answer.json().catch(() => ({}))];
  } catch {
    return [false, { error: "the server does not answer" }];
  }
}

/** Tells `reading`, the events of names.js and `connection` ({detail: true or false}). */
export const feed = new EventTarget();

let source = null;
let lastAlive = 0;
let newest = -1; // its number
let old = { seq: -1, at: 0 }; // a reading that was there before this page, and when it came

/** Open the stream; it reconnects by itself. @param {{readingsOnly?: boolean}} [options] */
export function open({ readingsOnly = false } = {}) {
  source?.close();
  const more = { ...(readingsOnly ? { events: "readings" } : {}), ...(token ? { token } : {}) };
  source = new EventSource(address(ROUTES.stream, more));
  source.onopen = () => {
    tell("connection", true);
    // The stream begins with the newest reading, however old: the server knows its age.
    ask(ROUTES.reading).then((known) => {
      if (known?.age_s == null) return;
      old = { seq: known.seq, at: performance.now() - 1000 * known.age_s };
      if (newest === known.seq) lastAlive = old.at;
    });
  };
  source.onerror = () => {
    tell("connection", false);
    // A browser gives up for good on some answers (a restarted server's 503): begin anew then.
    if (source.readyState === EventSource.CLOSED) setTimeout(() => open({ readingsOnly }), 2000);
  };
  source.onmessage = (event) => {
    const reading = JSON.parse(event.data);
    newest = reading.seq;
    lastAlive = newest === old.seq ? old.at : performance.now();
    tell("reading", reading);
  };
  for (const name of EVENTS) source.addEventListener(name, (event) => tell(name, JSON.parse(event.data)));
}

/** Seconds since the last reading came over the stream. */
export function quietSeconds() {
  return lastAlive ? (performance.now() - lastAlive) / 1000 : Infinity;
}

function tell(name, detail) {
  feed.dispatchEvent(new CustomEvent(name, { detail }));
}
