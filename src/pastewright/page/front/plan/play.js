/**
 * The program played back: a time line with the pressure behind the tip, the tip over the board, and what is laid by then.
 * @module
 */
import { finished, get, post } from "../server.js";
import { button, duration, h } from "../parts.js";
import { trying } from "../messages.js";
import { palette } from "../view/palette.js";
import { mark } from "../view/layers.js";

/**
 * @typedef {{t: number[], x: number[], y: number[], low: number[], line: number[], peak: number[], last: number[],
 *   spans: Record<string, [number, number]>, yield_kpa: number, rest_kpa: number}} Course
 */

const SPEEDS = [1, 4, 16, 64];
const WINDOW_MS = 20000; // shown of the pressure, around now: more would be a smear
const TRAIL = 24; // moves behind the tip that are drawn

export class Player {
  /**
   * @param {import("../view/board-view.js").BoardView} view
   * @param {() => {plan: import("./picture.js").PlanData, deposits: import("../view/layers.js").Deposits} | null} shown
   */
  constructor(view, shown) {
    this.view = view;
    this.shown = shown;
    /** @type {Course | null} */
    this.course = null;
    this.now = 0; // ms
    this.speed = 16;
    this.running = 0;
    this.play = button("▶ Play", () => this.toggle());
    this.slider = h("input", { type: "range", min: "0", max: "1000", value: "0", "aria-label": "Time in the program", oninput: () => this.go(Number(this.slider.value)) });
    this.clock = h("output", { class: "clock" });
    this.chart = h("canvas", { class: "chart", role: "img", "aria-label": "Pressure behind the tip over time" });
    this.faster = button("× 16", () => this.hurry(), { "aria-label": "Speed" });
    this.tools = h("div", { class: "row", hidden: true }, this.play, this.faster, this.slider, this.clock, button("Close", () => this.close(), { class: "quiet" }));
    this.open = button("Play the program", () => trying(() => this.load()));
    this.element = h("div", { class: "player" }, this.open, this.tools, this.chart);
    this.chart.hidden = true;
    this.watch = new ResizeObserver(() => this.paint());
    this.watch.observe(this.chart);
    this.most = 0;
    this.overlay = this.overlay.bind(this);
  }

  async load() {
    const { task } = await post("/plan/play");
    if (task && !(await finished(task))) return;
    this.course = /** @type {Course} */ (await get("/plan/play/view"));
    this.slider.max = String(this.course.t[this.course.t.length - 1] || 1);
    this.open.hidden = true;
    this.tools.hidden = this.chart.hidden = false;
    this.view.dim = 0.4;
    this.view.fit(); // the tip goes everywhere; who wants one place nearer goes there again
    this.go(0);
    this.play.focus();
  }

  close() {
    this.pause();
    this.course = null;
    this.view.dim = 1;
    this.open.hidden = false;
    this.tools.hidden = this.chart.hidden = true;
    this.view.draw();
  }

  toggle() {
    if (this.running) this.pause();
    else if (this.course) {
      if (this.now >= Number(this.slider.max)) this.now = 0;
      let last = performance.now();
      const tick = (/** @type {number} */ at) => {
        this.go(this.now + (at - last) * this.speed);
        last = at;
        this.running = this.now < Number(this.slider.max) && this.element.isConnected ? requestAnimationFrame(tick) : 0;
        if (!this.running) this.play.textContent = "▶ Play";
      };
      this.running = requestAnimationFrame(tick);
      this.play.textContent = "❚❚ Pause";
    }
  }

  pause() {
    cancelAnimationFrame(this.running);
    this.running = 0;
    this.play.textContent = "▶ Play";
  }

  hurry() {
    this.speed = SPEEDS[(SPEEDS.indexOf(this.speed) + 1) % SPEEDS.length];
    this.faster.textContent = `× ${this.speed}`;
  }

  /** @param {number} ms */
  go(ms) {
    if (!this.course) return;
    this.now = Math.min(Math.max(ms, 0), Number(this.slider.max));
    this.slider.value = String(this.now);
    const row = this.row();
    const kpa = this.course.last[Math.max(row - 1, 0)] || 0;
    this.clock.textContent = `${duration(this.now / 1000)}, ${kpa.toFixed(0)} kPa, line ${this.course.line[row] || 0}`;
    this.paint();
    this.view.draw();
  }

  /** The number of the move that is under way. */
  row() {
    const { t } = /** @type {Course} */ (this.course);
    let [low, high] = [0, t.length - 1];
    while (low < high) {
      const middle = (low + high) >> 1;
      if (t[middle] < this.now) low = middle + 1;
      else high = middle;
    }
    return low;
  }

  /** @type {(ink: CanvasRenderingContext2D, window: import("../view/layers.js").Window, colours: Record<string, string>) => void} */
  overlay(ink, window, colours) {
    const shown = this.shown();
    if (!this.course || !shown) return;
    const { course, now } = this;
    const { x, y, w, lines } = shown.deposits;
    ink.fillStyle = ink.strokeStyle = colours.laid;
    shown.plan.deposits.id.forEach((id, n) => {
      const span = course.spans[id];
      if (!span || span[0] > now || x[n] < window.x0 - 5e3 || x[n] > window.x1 + 5e3 || y[n] < window.y0 - 5e3 || y[n] > window.y1 + 5e3) return;
      const part = Math.min(1, (now - span[0]) / Math.max(span[1] - span[0], 1));
      mark(ink, window, x[n], y[n], w[n] * Math.sqrt(part), part >= 1 ? lines.get(n) : undefined);
    });
    const row = this.row();
    const [at, u, v] = this.tip(row);
    ink.strokeStyle = colours.travel;
    ink.lineWidth = 1.5 * window.pixel;
    ink.beginPath();
    for (let n = Math.max(0, row - TRAIL); n < row; n += 1) ink.lineTo(course.x[n], course.y[n]);
    ink.lineTo(u, v);
    ink.stroke();
    ink.strokeStyle = ink.fillStyle = colours.tip;
    ink.lineWidth = 2.5 * window.pixel;
    ink.beginPath();
    ink.arc(u, v, 6 * window.pixel, 0, 2 * Math.PI);
    if (at) ink.fill();
    else ink.stroke();
  }

  /**
   * Returns whether the tip is down, and its place [µm].
   * @param {number} row
   */
  tip(row) {
    const { t, x, y, low } = /** @type {Course} */ (this.course);
    const before = Math.max(row - 1, 0);
    const part = row ? (this.now - t[before]) / Math.max(t[row] - t[before], 1) : 1;
    return [low[row], x[before] + (x[row] - x[before]) * part, y[before] + (y[row] - y[before]) * part];
  }

  paint() {
    const { chart, course } = this;
    if (!course || chart.hidden) return;
    const ratio = devicePixelRatio || 1;
    const [wide, high] = [chart.clientWidth, chart.clientHeight];
    if (!wide) return;
    if (chart.width !== Math.round(wide * ratio)) {
      chart.width = Math.round(wide * ratio);
      chart.height = Math.round(high * ratio);
    }
    const ink = /** @type {CanvasRenderingContext2D} */ (chart.getContext("2d"));
    const colours = palette();
    ink.setTransform(ratio, 0, 0, ratio, 0, 0);
    ink.clearRect(0, 0, wide, high);
    const span = Math.min(Number(this.slider.max), WINDOW_MS);
    const from = Math.min(Math.max(this.now - span / 2, 0), Number(this.slider.max) - span);
    const most = this.most || (this.most = Math.max(course.yield_kpa, course.peak.reduce((a, b) => Math.max(a, b), 1)));
    const px = (/** @type {number} */ ms) => ((ms - from) / span) * wide;
    const py = (/** @type {number} */ kpa) => high - 14 - (kpa / most) * (high - 22);
    ink.strokeStyle = colours.wait;
    ink.setLineDash([4, 3]);
    ink.beginPath();
    ink.moveTo(0, py(course.yield_kpa));
    ink.lineTo(wide, py(course.yield_kpa));
    ink.stroke();
    ink.setLineDash([]);
    ink.fillStyle = colours.words;
    ink.font = "11px system-ui, sans-serif";
    ink.fillText(`yields above ${course.yield_kpa.toFixed(0)} kPa; highest ${most.toFixed(0)} kPa`, 4, 11);
    ink.fillText(`${duration(from / 1000)}`, 2, high - 2);
    ink.textAlign = "right";
    ink.fillText(`${duration((from + span) / 1000)}`, wide - 2, high - 2);
    ink.textAlign = "left";
    ink.strokeStyle = colours.less;
    ink.lineWidth = 1.6;
    ink.beginPath();
    let [begun, drawn] = [0, false];
    course.t.forEach((ms, n) => {
      const start = begun;
      begun = ms;
      if (ms < from || start > from + span) return;
      if (!drawn) ink.moveTo(px(start), py(course.last[n - 1] || 0));
      drawn = true;
      if (course.peak[n] > Math.max(course.last[n], course.last[n - 1] || 0)) ink.lineTo(px((start + ms) / 2), py(course.peak[n]));
      ink.lineTo(px(ms), py(course.last[n]));
    });
    ink.stroke();
    ink.strokeStyle = colours.tip;
    ink.beginPath();
    ink.moveTo(px(this.now), 0);
    ink.lineTo(px(this.now), high);
    ink.stroke();
  }
}
