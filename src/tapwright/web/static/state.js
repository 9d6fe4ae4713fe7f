/** What the page knows now, and whether the newest reading may be shown as live. */

import { quietSeconds } from "./feed.js";

const STALE_PERIODS = 3;
const LEAST_STALE_S = 0.9; // below this a busy browser alone could look like a silent instrument

export const state = {
  /** @type {any} */ reading: null,
  /** @type {any} */ link: null,
  connected: false,
};

/** Seconds after which the newest reading is no longer live. */
export function staleAfterS() {
  return Math.max(LEAST_STALE_S, STALE_PERIODS * (state.link?.period_s ?? 1));
}

/** One of: none, stale, or the reading's status. */
export function shown() {
  if (!state.reading) return "none";
  const away = !state.connected || (state.link && state.link.state !== "receiving");
  return away || quietSeconds() > staleAfterS() ? "stale" : state.reading.status;
}

/** Why the reading is not live, in words. */
export function why() {
  if (!state.connected) return "no connection to the server";
  const link = state.link;
  if (link && link.state === "ended") return "the replay is over";
  if (link && link.text) return `no signal: ${link.text}`;
  return "no signal";
}
