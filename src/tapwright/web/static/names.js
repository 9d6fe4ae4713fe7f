/** Every route, event and word that the pages share, in one place. */

export const ROUTES = Object.freeze({
  instruments: "/api/instruments",
  reading: "/api/reading",
  stream: "/api/stream",
  trend: "/api/trend",
  statistics: "/api/statistics",
  reset: "/api/statistics/reset",
  settled: "/api/settled",
  markers: "/api/markers",
  recording: "/api/recording",
  recordings: "/api/recordings",
  found: "/api/found",
});

export const EVENTS = Object.freeze(["link", "dropped", "settled", "marker", "recording"]);

/** What a status means, in words for the line under the figure. */
export const STATUS_WORDS = Object.freeze({
  ok: "proven",
  overload: "overload",
  blank: "the display is blank",
  unproven: "unproven: this frame holds something that no label has settled",
  "bad check": "bad check: the frame arrived damaged",
  broken: "broken: part of the frame is missing",
});

/** What the state of the link means: a mark that differs by shape, and words. */
export const LINK_WORDS = Object.freeze({
  waiting: ["◌", "waiting"],
  open: ["◍", "open, nothing came yet"],
  receiving: ["●", "receiving"],
  silent: ["○", "silent"],
  lost: ["✕", "lost"],
  ended: ["■", "ended"],
});

export const RANGES = Object.freeze([
  { seconds: 60, text: "1 min" },
  { seconds: 600, text: "10 min" },
  { seconds: 3600, text: "1 h" },
  { seconds: 21600, text: "6 h" },
  { seconds: 86400, text: "1 day" },
]);
