/** The trend: proven readings over time, extremes kept, gaps and changes of unit left open. */

import { ask } from "../feed.js";
import { clock, roundSteps, withUnit } from "../format.js";
import { ROUTES } from "../names.js";

const REFRESH_MS = 30000;
const MOST_LIVE = 4000;
const MARGIN = { left: 62, right: 10, top: 10, bottom: 24 };

class TrendLine extends HTMLElement {
  connectedCallback() {
    this.innerHTML = `<canvas role="img"></canvas>`;
    this.canvas = /** @type {HTMLCanvasElement} */ (this.querySelector("canvas"));
    /** @type {{unit: string, points: number[][]}[]} */ this.segments = [];
    this.seconds ??= 600;
    this.pending = false;
    new ResizeObserver(() => this.redraw()).observe(this);
    this.timer = setInterval(() => this.load(), REFRESH_MS);
  }

  disconnectedCallback() {
    clearInterval(this.timer);
  }

  /** Show the last `seconds`. @param {number} seconds */
  show(seconds) {
    this.seconds = seconds;
    this.load();
  }

  async load() {
    const wanted = this.seconds;
    const points = Math.min(1500, Math.max(200, Math.round(this.clientWidth)));
    const answer = await ask(ROUTES.trend, { seconds: wanted, points });
    if (!answer || wanted !== this.seconds) return;
    this.segments = answer.segments;
    this.redraw();
  }

  /** Append a live reading. @param {any} reading */
  add(reading) {
    if (reading.status !== "ok" || reading.value == null) {
      this.broken = true;
      return;
    }
    let last = this.segments.at(-1);
    if (!last || last.unit !== reading.unit || reading.gap_s != null || this.broken) {
      last = { unit: reading.unit, points: [] };
      this.segments.push(last);
    }
    this.broken = false;
    const end = last.points.at(-1);
    // A reading that the server's trend already holds comes again when the stream connects.
    if (end && reading.t <= end[0]) return;
    last.points.push([reading.t, reading.value, reading.value]);
    if (last.points.length > MOST_LIVE) this.load();
    this.redraw();
  }

  redraw() {
    if (this.pending || !this.canvas) return;
    this.pending = true;
    requestAnimationFrame(() => {
      this.pending = false;
      this.draw();
    });
  }

  draw() {
    const box = this.canvas.getBoundingClientRect();
    if (!box.width) return;
    const ratio = devicePixelRatio || 1;
    this.canvas.width = Math.round(box.width * ratio);
    this.canvas.height = Math.round(box.height * ratio);
    const pen = this.canvas.getContext("2d");
    pen.scale(ratio, ratio);
    const style = getComputedStyle(this);
    const colour = (/** @type {string} */ name) => style.getPropertyValue(name).trim();
    const end = Date.now() / 1000, start = end - this.seconds;
    const unit = this.segments.at(-1)?.unit ?? "";
    const inside = this.segments.filter((s) => s.unit === unit)
      .map((s) => s.points.filter((p) => p[0] >= start)).filter((points) => points.length);
    let lo = Infinity, hi = -Infinity, count = 0;
    for (const points of inside) for (const p of points) { lo = Math.min(lo, p[1]); hi = Math.max(hi, p[2]); count += 1; }
    this.dataset.points = String(count);
    this.canvas.setAttribute("aria-label", count ? `Trend: from ${withUnit(lo, unit)} to ${withUnit(hi, unit)}` : "Trend: no proven reading yet");
    pen.font = "12px " + (style.getPropertyValue("--sans") || "sans-serif");
    pen.fillStyle = colour("--faint");
    if (!count) {
      pen.fillText("no proven reading in this stretch of time yet", MARGIN.left, box.height / 2);
      return;
    }
    const pad = (hi - lo || Math.abs(hi) || 1) * 0.08;
    [lo, hi] = [lo - pad, hi + pad];
    const x = (/** @type {number} */ t) => MARGIN.left + ((t - start) / this.seconds) * (box.width - MARGIN.left - MARGIN.right);
    const y = (/** @type {number} */ v) => box.height - MARGIN.bottom - ((v - lo) / (hi - lo)) * (box.height - MARGIN.top - MARGIN.bottom);
    pen.strokeStyle = colour("--pale");
    pen.lineWidth = 1;
    pen.textAlign = "right";
    for (const v of roundSteps(lo, hi, 4)) {
      line(pen, MARGIN.left, y(v), box.width - MARGIN.right, y(v));
      pen.fillText(withUnit(v, ""), MARGIN.left - 6, y(v) + 4);
    }
    pen.textAlign = "center";
    const labels = Math.max(1, Math.min(5, Math.floor((box.width - MARGIN.left) / 110)));
    for (let i = 0; i < labels; i += 1) {
      const t = start + (this.seconds * (i + 0.5)) / labels;
      pen.fillText(clock(t), x(t), box.height - 6);
    }
    pen.textAlign = "left";
    pen.fillText(unit, MARGIN.left + 4, MARGIN.top + 10);
    pen.strokeStyle = pen.fillStyle = colour("--settled");
    pen.lineWidth = 2;
    for (const points of inside) stretch(pen, points, x, y);
  }
}

function line(/** @type {CanvasRenderingContext2D} */ pen, /** @type {number} */ x1, /** @type {number} */ y1, /** @type {number} */ x2, /** @type {number} */ y2) {
  pen.beginPath();
  pen.moveTo(x1, y1);
  pen.lineTo(x2, y2);
  pen.stroke();
}

/** Draw one unbroken stretch: the band between extremes and a line through their middle. */
function stretch(pen, points, x, y) {
  pen.globalAlpha = 0.25;
  pen.beginPath();
  points.forEach((p, i) => pen[i ? "lineTo" : "moveTo"](x(p[0]), y(p[2])));
  [...points].reverse().forEach((p) => pen.lineTo(x(p[0]), y(p[1])));
  pen.fill();
  pen.globalAlpha = 1;
  pen.beginPath();
  points.forEach((p, i) => pen[i ? "lineTo" : "moveTo"](x(p[0]), y((p[1] + p[2]) / 2)));
  pen.stroke();
  if (points.length === 1) pen.fillRect(x(points[0][0]) - 1.5, y(points[0][1]) - 1.5, 3, 3);
}

customElements.define("trend-line", TrendLine);
