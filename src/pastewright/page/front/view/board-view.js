/**
 * A board to look at: layers drawn into tiles that are kept, so that moving it about only lays tiles; what changes all
 * the time (choice, names, the tip) is drawn over them anew each frame.
 *
 * Wheel and pinch zoom about their place, dragging and arrows move, plus and minus zoom, 0 shows all. Fires "pick" with
 * the place [µm] where it was clicked, and "look" after it was moved. Fires "grab" with the place where a drag begins: who
 * prevents its default gets "carry" and "let-go" with places, and the picture stays.
 * @module
 */
import { button, h } from "../parts.js";
import { palette } from "./palette.js";

const TILE = 384; // pixels of the screen; drawing one takes a few ms (measured with bench/page.py)
const MOST_TILES = 160; // kept: some 90 MB at most
const BUDGET_MS = 7; // of a frame's 16 for drawing new tiles, so that moving stays smooth
const SETTLE_MS = 140; // after the last zoom, tiles are drawn anew for the new scale
const MOST_PX_PER_UM = 1; // a micrometre a pixel: nearer shows nothing more
const STEP = 1.25; // of one press of plus or minus
const CLICK_PX = 5; // a finger that moved further was dragging

/** @typedef {import("./layers.js").Layer} Layer */
/** @typedef {{canvas: HTMLCanvasElement, used: number, scale: number}} Tile */

export class BoardView extends HTMLElement {
  constructor() {
    super();
    /** @type {Layer[]} */
    this.layers = [];
    /**
     * What is drawn over the tiles, in micrometres.
     * @type {((ink: CanvasRenderingContext2D, window: import("./layers.js").Window, colours: Record<string, string>) => void)[]}
     */
    this.overlays = [];
    this.scale = 0; // pixels of the screen per µm
    this.x = 0; // µm in the middle
    this.y = 0;
    this.box = [0, 0, 1000, 1000];
    /** @type {Map<string, Tile>} */
    this.tiles = new Map();
    this.tileScale = 0;
    this.clock = 0;
    this.asked = 0;
    this.dim = 1;
    /** @type {Map<number, {x: number, y: number}>} */
    this.pointers = new Map();
    this.moved = 0;
    this.grabbed = false;
    this.colours = palette();
  }

  connectedCallback() {
    if (!this.canvas) this.build();
    this.watch = new ResizeObserver(() => this.resize());
    this.watch.observe(this);
    this.recolour = () => {
      this.colours = palette();
      this.redraw();
    };
    document.addEventListener("scheme", this.recolour);
    this.media = matchMedia("(prefers-color-scheme: dark)");
    this.media.addEventListener("change", this.recolour);
  }

  disconnectedCallback() {
    this.watch?.disconnect();
    if (this.recolour) {
      document.removeEventListener("scheme", this.recolour);
      this.media?.removeEventListener("change", this.recolour);
    }
    this.tiles.clear();
  }

  build() {
    this.canvas = h("canvas", {
      tabindex: "0",
      role: "application",
      "aria-label": this.getAttribute("words") || "Picture of the board. Arrows move it, plus and minus zoom, 0 shows all.",
    });
    this.ink = /** @type {CanvasRenderingContext2D} */ (this.canvas.getContext("2d", { alpha: false }));
    this.append(
      this.canvas,
      h(
        "div",
        { class: "zoom" },
        button("+", () => this.zoom(STEP), { "aria-label": "Nearer" }),
        button("−", () => this.zoom(1 / STEP), { "aria-label": "Farther" }),
        button("▣", () => this.fit(), { "aria-label": "Show all" }),
      ),
    );
    this.canvas.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    this.canvas.addEventListener("pointerdown", (event) => this.down(event));
    this.canvas.addEventListener("pointermove", (event) => this.move(event));
    for (const name of ["pointerup", "pointercancel"])
      this.canvas.addEventListener(name, (event) => this.up(/** @type {PointerEvent} */ (event)));
    this.canvas.addEventListener("keydown", (event) => this.key(event));
  }

  /**
   * Shows layers; the first time, or when the box of all changes much, all of it.
   * @param {Layer[]} layers lowest first
   * @param {number[]} box left, low, right, high [µm]
   */
  show(layers, box) {
    const same = this.box.every((value, n) => Math.abs(value - box[n]) < 1);
    this.layers = layers;
    this.box = box;
    if (!this.scale || !same) this.fit();
    this.redraw();
  }

  /** Draws everything anew. */
  redraw() {
    this.tiles.clear();
    this.draw();
  }

  resize() {
    if (!this.canvas) return;
    const was = this.width;
    this.ratio = Math.min(devicePixelRatio || 1, 2);
    this.width = this.clientWidth;
    this.height = this.clientHeight;
    this.canvas.width = Math.round(this.width * this.ratio);
    this.canvas.height = Math.round(this.height * this.ratio);
    this.tiles.clear();
    if (!was || !this.scale) this.fit();
    this.draw();
  }

  /** Shows all of the box. */
  fit() {
    if (!this.width || !this.height) return;
    const [x0, y0, x1, y1] = this.box;
    this.scale = this.least();
    this.x = (x0 + x1) / 2;
    this.y = (y0 + y1) / 2;
    this.tileScale = this.scale;
    this.draw();
  }

  /** The scale at which all is seen. */
  least() {
    const [x0, y0, x1, y1] = this.box;
    return Math.min((this.width || 1) / (x1 - x0), (this.height || 1) / (y1 - y0)) * 0.94;
  }

  /**
   * Brings a box to the middle, near enough to see it.
   * @param {number[]} box [µm]
   */
  lookAt([x0, y0, x1, y1]) {
    this.x = (x0 + x1) / 2;
    this.y = (y0 + y1) / 2;
    const wanted = Math.min((this.width || 1) / (x1 - x0 || 1), (this.height || 1) / (y1 - y0 || 1)) * 0.12;
    if (this.scale < wanted || this.scale > 8 * wanted) this.setScale(Math.max(this.least(), wanted));
    this.settle();
    this.draw();
  }

  /** @param {number} scale */
  setScale(scale) {
    this.scale = Math.min(Math.max(scale, this.least() / 4), MOST_PX_PER_UM);
  }

  /**
   * Zooms about a place on the screen, the middle without one.
   * @param {number} factor @param {number} [px] @param {number} [py]
   */
  zoom(factor, px = (this.width || 0) / 2, py = (this.height || 0) / 2) {
    const [ux, uy] = this.place(px, py);
    this.setScale(this.scale * factor);
    const [vx, vy] = this.place(px, py);
    this.x += ux - vx;
    this.y += uy - vy;
    this.settle();
    this.draw();
  }

  settle() {
    clearTimeout(this.late);
    const stretch = this.scale / (this.tileScale || this.scale);
    if (stretch < 0.5 || stretch > 3) this.tileScale = this.scale;
    this.late = setTimeout(() => {
      this.tileScale = this.scale;
      this.draw();
    }, SETTLE_MS);
  }

  /**
   * Returns the place [µm] under a place on the canvas.
   * @param {number} px @param {number} py
   */
  place(px, py) {
    return [this.x + (px - (this.width || 0) / 2) / this.scale, this.y - (py - (this.height || 0) / 2) / this.scale];
  }

  /** @param {WheelEvent} event */
  wheel(event) {
    event.preventDefault();
    const size = event.deltaMode === 1 ? 33 : 1;
    this.zoom(Math.exp(-event.deltaY * size * (event.ctrlKey ? 0.01 : 0.0018)), event.offsetX, event.offsetY);
  }

  /** @param {PointerEvent} event */
  down(event) {
    this.canvas?.setPointerCapture(event.pointerId);
    this.pointers.set(event.pointerId, { x: event.offsetX, y: event.offsetY });
    if (this.pointers.size > 1) return this.letGo();
    this.moved = 0;
    this.grabbed = !this.fire("grab", event.offsetX, event.offsetY, true);
  }

  /**
   * Fires an event with a place; returns whether its default stands.
   * @param {string} name @param {number} px @param {number} py @param {boolean} [cancelable]
   */
  fire(name, px, py, cancelable = false) {
    const [x, y] = this.place(px, py);
    return this.dispatchEvent(new CustomEvent(name, { cancelable, detail: { x, y, within: 8 / this.scale, px: this.moved } }));
  }

  /** What was taken up falls back: a second finger came, or the browser took the first. */
  letGo() {
    if (this.grabbed) this.dispatchEvent(new CustomEvent("let-go", { detail: null }));
    this.grabbed = false;
  }

  /** @param {PointerEvent} event */
  move(event) {
    const old = this.pointers.get(event.pointerId);
    if (!old) return;
    const other = [...this.pointers].find(([id]) => id !== event.pointerId)?.[1];
    const now = { x: event.offsetX, y: event.offsetY };
    this.moved += Math.abs(now.x - old.x) + Math.abs(now.y - old.y);
    if (this.grabbed) this.fire("carry", now.x, now.y);
    else if (other) {
      const before = Math.hypot(old.x - other.x, old.y - other.y) || 1;
      const after = Math.hypot(now.x - other.x, now.y - other.y) || 1;
      this.pan((now.x - old.x) / 2, (now.y - old.y) / 2);
      this.zoom(after / before, (now.x + other.x) / 2, (now.y + other.y) / 2);
    } else this.pan(now.x - old.x, now.y - old.y);
    this.pointers.set(event.pointerId, now);
  }

  /** @param {PointerEvent} event */
  up(event) {
    if (!this.pointers.delete(event.pointerId)) return;
    if (event.type === "pointercancel") return this.letGo();
    const carried = this.grabbed;
    this.grabbed = false;
    if (carried) this.fire("let-go", event.offsetX, event.offsetY);
    if (this.pointers.size || this.moved > CLICK_PX) return;
    this.fire("pick", event.offsetX, event.offsetY);
  }

  /** @param {number} dx @param {number} dy pixels */
  pan(dx, dy) {
    const [x0, y0, x1, y1] = this.box;
    this.x = Math.min(Math.max(this.x - dx / this.scale, x0), x1);
    this.y = Math.min(Math.max(this.y + dy / this.scale, y0), y1);
    this.draw();
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    const step = event.shiftKey ? 200 : 60;
    /** @type {Record<string, () => void>} */
    const acts = {
      ArrowLeft: () => this.pan(step, 0),
      ArrowRight: () => this.pan(-step, 0),
      ArrowUp: () => this.pan(0, step),
      ArrowDown: () => this.pan(0, -step),
      "+": () => this.zoom(STEP),
      "=": () => this.zoom(STEP),
      "-": () => this.zoom(1 / STEP),
      0: () => this.fit(),
    };
    const act = acts[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    act();
  }

  /** Draws at the next frame. */
  draw() {
    if (this.asked) return;
    this.asked = requestAnimationFrame(() => {
      this.asked = 0;
      this.frame();
    });
  }

  frame() {
    const { ink, canvas } = this;
    if (!ink || !canvas || !this.width || !this.height || !this.scale) return;
    const begun = performance.now();
    this.clock += 1;
    const ratio = this.ratio || 1;
    ink.setTransform(1, 0, 0, 1, 0, 0);
    ink.fillStyle = this.colours.ground;
    ink.fillRect(0, 0, canvas.width, canvas.height);
    const missing = this.layTiles(ink, ratio);
    let drawn = 0;
    for (const [tx, ty] of missing) {
      if (drawn && performance.now() - begun > BUDGET_MS) break;
      this.makeTile(tx, ty, ratio);
      drawn += 1;
    }
    if (drawn) {
      ink.setTransform(1, 0, 0, 1, 0, 0);
      ink.fillStyle = this.colours.ground;
      ink.fillRect(0, 0, canvas.width, canvas.height);
      this.layTiles(ink, ratio);
    }
    if (drawn < missing.length) this.draw();
    if (this.dim < 1) {
      ink.setTransform(1, 0, 0, 1, 0, 0);
      ink.globalAlpha = 1 - this.dim;
      ink.fillStyle = this.colours.ground;
      ink.fillRect(0, 0, canvas.width, canvas.height);
      ink.globalAlpha = 1;
    }
    this.toMicrometres(ink, this.scale * ratio, canvas.width / 2 - this.x * this.scale * ratio, canvas.height / 2 + this.y * this.scale * ratio);
    const [x0, y1] = this.place(0, 0);
    const [x1, y0] = this.place(this.width, this.height);
    for (const overlay of this.overlays) overlay(ink, { x0, y0, x1, y1, pixel: 1 / this.scale }, this.colours);
    this.done = drawn === missing.length;
    this.dispatchEvent(new CustomEvent("look"));
  }

  /** @param {CanvasRenderingContext2D} ink @param {number} s @param {number} dx @param {number} dy */
  toMicrometres(ink, s, dx, dy) {
    ink.setTransform(s, 0, 0, -s, dx, dy);
  }

  /**
   * Lays the tiles that are there, those of an older scale stretched; returns the places of those that are missing,
   * the nearest to the middle first.
   * @param {CanvasRenderingContext2D} ink @param {number} ratio
   * @returns {[number, number][]}
   */
  layTiles(ink, ratio) {
    const scale = this.tileScale || this.scale;
    const stretch = this.scale / scale;
    const size = TILE * stretch;
    const left = (this.width || 0) / 2 - this.x * this.scale;
    const top = (this.height || 0) / 2 + this.y * this.scale;
    const [c0, c1] = [Math.floor(-left / size), Math.floor(((this.width || 0) - left) / size)];
    const [r0, r1] = [Math.floor(-top / size), Math.floor(((this.height || 0) - top) / size)];
    /** @type {[number, number][]} */
    const missing = [];
    for (let r = r0; r <= r1; r += 1) {
      for (let c = c0; c <= c1; c += 1) {
        const tile = this.tiles.get(`${scale}/${c}/${r}`);
        if (tile) {
          tile.used = this.clock;
          const [px, py] = [Math.round((left + c * size) * ratio), Math.round((top + r * size) * ratio)];
          const [qx, qy] = [Math.round((left + (c + 1) * size) * ratio), Math.round((top + (r + 1) * size) * ratio)];
          if (qx - px === tile.canvas.width && qy - py === tile.canvas.height) ink.drawImage(tile.canvas, px, py);
          else ink.drawImage(tile.canvas, px, py, qx - px, qy - py);
        } else if (this.meets(c, r, scale)) missing.push([c, r]);
      }
    }
    const [mc, mr] = [(c0 + c1) / 2, (r0 + r1) / 2];
    return missing.sort((a, b) => Math.hypot(a[0] - mc, a[1] - mr) - Math.hypot(b[0] - mc, b[1] - mr));
  }

  /**
   * Tells whether a tile has anything of the picture.
   * @param {number} c @param {number} r @param {number} scale
   */
  meets(c, r, scale) {
    const [x0, y0, x1, y1] = this.box;
    const size = TILE / scale;
    return c * size <= x1 && (c + 1) * size >= x0 && -r * size >= y0 && -(r + 1) * size <= y1;
  }

  /** @param {number} c @param {number} r @param {number} ratio */
  makeTile(c, r, ratio) {
    const scale = this.tileScale || this.scale;
    const made = h("canvas", {});
    made.width = made.height = Math.round(TILE * ratio);
    const ink = /** @type {CanvasRenderingContext2D} */ (made.getContext("2d", { alpha: false }));
    ink.fillStyle = this.colours.ground;
    ink.fillRect(0, 0, made.width, made.height);
    this.toMicrometres(ink, scale * ratio, -c * TILE * ratio, -r * TILE * ratio);
    const pixel = 1 / scale;
    const edge = 2 * pixel;
    const size = TILE / scale;
    const window = { x0: c * size - edge, x1: (c + 1) * size + edge, y0: -(r + 1) * size - edge, y1: -r * size + edge, pixel };
    for (const layer of this.layers) if (layer.shown) layer.draw(ink, window, this.colours);
    this.tiles.set(`${scale}/${c}/${r}`, { canvas: made, used: this.clock, scale });
    if (this.tiles.size > MOST_TILES) {
      const oldest = [...this.tiles].sort((a, b) => a[1].used - b[1].used).slice(0, this.tiles.size - MOST_TILES);
      for (const [key] of oldest) this.tiles.delete(key);
    }
  }
}

customElements.define("board-view", BoardView);
