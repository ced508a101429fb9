/**
 * Layers of a picture: each draws the part of itself that lies in a window of the board [µm, y up], in a canvas whose
 * units are micrometres already. What would be smaller than a pixel or two is drawn as its box: nobody sees more.
 * @module
 */
import { Grid, boxOfRings } from "./grid.js";

/**
 * @typedef {{x0: number, y0: number, x1: number, y1: number, pixel: number}} Window  `pixel`: size of one [µm]
 * @typedef {{name: string, words: string, shown: boolean, box: number[] | null,
 *   draw: (ink: CanvasRenderingContext2D, window: Window, colours: Record<string, string>) => void}} Layer
 */

const MOST_TRACED = 100; // areas in one path: filling takes longer than in proportion to what a path holds
const COARSE_PX = 1.6; // a thing smaller than this is a box of its size (own choice, looked at)

/**
 * Returns a layer of areas in one colour.
 * @param {string} name
 * @param {string} words
 * @param {number[][][]} areas rings of each area [µm]
 * @param {{fill?: string, stroke?: string, width?: number, alpha?: number, dashed?: boolean}} look names of colours
 * @returns {Layer}
 */
export function areaLayer(name, words, areas, look) {
  const boxes = new Float64Array(4 * areas.length);
  areas.forEach((rings, n) => boxOfRings(boxes, n, rings));
  const grid = new Grid(boxes);
  return {
    name,
    words,
    shown: true,
    box: boxOf(boxes),
    draw(ink, window, colours) {
      const fine = COARSE_PX * window.pixel;
      ink.globalAlpha = look.alpha ?? 1;
      if (look.fill) ink.fillStyle = colours[look.fill];
      if (look.stroke) {
        ink.strokeStyle = colours[look.stroke];
        ink.lineWidth = Math.max((look.width || 1) * window.pixel, 1);
        ink.setLineDash(look.dashed ? [6 * window.pixel, 4 * window.pixel] : []);
      }
      const paint = () => {
        if (look.fill) ink.fill("evenodd");
        if (look.stroke) ink.stroke();
        ink.beginPath();
      };
      let traced = 0;
      ink.beginPath();
      for (const n of grid.within(window.x0, window.y0, window.x1, window.y1)) {
        const [x0, y0, x1, y1] = [boxes[4 * n], boxes[4 * n + 1], boxes[4 * n + 2], boxes[4 * n + 3]];
        if (look.fill && x1 - x0 < fine && y1 - y0 < fine) ink.fillRect(x0, y0, x1 - x0, y1 - y0);
        else {
          trace(ink, areas[n]);
          traced += 1;
          if (traced % MOST_TRACED === 0) paint();
        }
      }
      paint();
      ink.setLineDash([]);
      ink.globalAlpha = 1;
    },
  };
}

/**
 * Like `areaLayer`, where areas may lie over each other: each is filled by itself.
 * @param {string} name @param {string} words @param {number[][][]} areas
 * @param {{fill: string, alpha?: number}} look
 * @returns {Layer}
 */
export function filmLayer(name, words, areas, look) {
  const layer = areaLayer(name, words, areas, look);
  const boxes = new Float64Array(4 * areas.length);
  areas.forEach((rings, n) => boxOfRings(boxes, n, rings));
  const grid = new Grid(boxes);
  layer.draw = (ink, window, colours) => {
    const fine = COARSE_PX * window.pixel;
    ink.fillStyle = colours[look.fill];
    for (const n of grid.within(window.x0, window.y0, window.x1, window.y1)) {
      const [x0, y0, x1, y1] = [boxes[4 * n], boxes[4 * n + 1], boxes[4 * n + 2], boxes[4 * n + 3]];
      if (x1 - x0 < fine && y1 - y0 < fine) ink.fillRect(x0, y0, x1 - x0, y1 - y0);
      else {
        ink.beginPath();
        trace(ink, areas[n]);
        ink.fill("evenodd");
      }
    }
  };
  return layer;
}

/**
 * Returns a layer of holes: x, y, diameter, plated, and for a slot its other end.
 * @param {(number | boolean | null)[][]} holes [µm]
 * @returns {Layer}
 */
export function holeLayer(holes) {
  const boxes = new Float64Array(4 * holes.length);
  holes.forEach((hole, n) => {
    const [x, y, d, , xb, yb] = /** @type {number[]} */ (hole);
    const [u, v] = [xb ?? x, yb ?? y];
    boxes.set([Math.min(x, u) - d / 2, Math.min(y, v) - d / 2, Math.max(x, u) + d / 2, Math.max(y, v) + d / 2], 4 * n);
  });
  const grid = new Grid(boxes);
  return {
    name: "holes",
    words: "Holes",
    shown: true,
    box: null,
    draw(ink, window, colours) {
      for (const n of grid.within(window.x0, window.y0, window.x1, window.y1)) {
        const [x, y, d, plated, xb, yb] = /** @type {number[]} */ (holes[n]);
        ink.lineCap = "round";
        for (const [colour, size] of /** @type {[string, number][]} */ ([
          [plated ? colours.plating : colours.hole, d],
          [colours.hole, plated ? d * 0.8 : d],
        ])) {
          ink.strokeStyle = colour;
          ink.lineWidth = size;
          ink.beginPath();
          ink.moveTo(x, y);
          ink.lineTo(xb ?? x, (yb ?? y) + (xb === undefined ? 0.01 : 0));
          ink.stroke();
        }
      }
    },
  };
}

/**
 * Deposits as columns: for each its x, y and width [µm], a class that says its colour, and for a bead its points.
 * @typedef {{x: number[], y: number[], w: number[], cls: Uint8Array | number[], lines: Map<number, number[]>}} Deposits
 */

/**
 * Returns a layer of deposits. `looks` has one entry a class: the name of its colour, and a sign that tells it without.
 * @param {Deposits} deposits
 * @param {{colour: string, sign: "" | "-" | "+" | "o" | "x" | "="}[]} looks
 * @returns {Layer}
 */
export function depositLayer(deposits, looks) {
  const { x, y, w, lines } = deposits;
  const boxes = depositBoxes(deposits);
  const grid = new Grid(boxes);
  return {
    name: "paste",
    words: "Paste",
    shown: true,
    box: boxOf(boxes),
    draw(ink, window, colours) {
      const found = grid.within(window.x0, window.y0, window.x1, window.y1);
      /** @type {number[][]} */
      const groups = looks.map(() => []);
      for (const n of found) groups[deposits.cls[n]].push(n);
      groups.forEach((group, cls) => {
        ink.fillStyle = ink.strokeStyle = colours[looks[cls].colour];
        for (const n of group) mark(ink, window, x[n], y[n], w[n], lines.get(n));
        if (looks[cls].sign) signs(ink, window, group, deposits, looks[cls].sign, colours.sign);
      });
    },
  };
}

/**
 * Draws one deposit in the colour that is set.
 * @param {CanvasRenderingContext2D} ink @param {Window} window
 * @param {number} x @param {number} y @param {number} w @param {number[] | undefined} line
 */
export function mark(ink, window, x, y, w, line) {
  if (line) {
    ink.lineCap = ink.lineJoin = "round";
    ink.lineWidth = Math.max(w, window.pixel);
    ink.beginPath();
    ink.moveTo(line[0], line[1]);
    for (let i = 2; i < line.length; i += 2) ink.lineTo(line[i], line[i + 1]);
    ink.stroke();
  } else if (w < 3 * window.pixel) {
    const side = Math.max(w, window.pixel);
    ink.fillRect(x - side / 2, y - side / 2, side, side);
  } else {
    ink.beginPath();
    ink.arc(x, y, w / 2, 0, 2 * Math.PI);
    ink.fill();
  }
}

/**
 * Draws the sign of a class on its deposits, where they are large enough for one.
 * @param {CanvasRenderingContext2D} ink @param {Window} window @param {number[]} group
 * @param {Deposits} deposits @param {string} sign @param {string} colour
 */
function signs(ink, window, group, { x, y, w }, sign, colour) {
  ink.strokeStyle = colour;
  ink.lineCap = "butt";
  for (const n of group) {
    if (w[n] < 7 * window.pixel) continue;
    const r = Math.min(w[n] * 0.28, 6 * window.pixel);
    ink.lineWidth = Math.max(r * 0.35, 1.2 * window.pixel);
    ink.beginPath();
    if (sign === "o") ink.arc(x[n], y[n], r, 0, 2 * Math.PI);
    else if (sign === "x") {
      for (const way of [1, -1]) {
        ink.moveTo(x[n] - r, y[n] - way * r);
        ink.lineTo(x[n] + r, y[n] + way * r);
      }
    } else if (sign === "=") {
      for (const up of [-0.4, 0.4]) {
        ink.moveTo(x[n] - r, y[n] + up * r);
        ink.lineTo(x[n] + r, y[n] + up * r);
      }
    } else {
      ink.moveTo(x[n] - r, y[n]);
      ink.lineTo(x[n] + r, y[n]);
      if (sign === "+") {
        ink.moveTo(x[n], y[n] - r);
        ink.lineTo(x[n], y[n] + r);
      }
    }
    ink.stroke();
  }
}

/**
 * Returns the boxes of deposits, four numbers each.
 * @param {Deposits} deposits
 */
export function depositBoxes({ x, y, w, lines }) {
  const boxes = new Float64Array(4 * x.length);
  for (let n = 0; n < x.length; n += 1) {
    const r = w[n] / 2;
    const line = lines.get(n);
    let [x0, y0, x1, y1] = [x[n], y[n], x[n], y[n]];
    if (line) {
      for (let i = 0; i < line.length; i += 2) {
        x0 = Math.min(x0, line[i]);
        x1 = Math.max(x1, line[i]);
        y0 = Math.min(y0, line[i + 1]);
        y1 = Math.max(y1, line[i + 1]);
      }
    }
    boxes.set([x0 - r, y0 - r, x1 + r, y1 + r], 4 * n);
  }
  return boxes;
}

/**
 * @param {CanvasRenderingContext2D} ink
 * @param {number[][]} rings
 */
export function trace(ink, rings) {
  for (const ring of rings) {
    ink.moveTo(ring[0], ring[1]);
    for (let i = 2; i < ring.length; i += 2) ink.lineTo(ring[i], ring[i + 1]);
    ink.closePath();
  }
}

/**
 * @param {Float64Array} boxes
 * @returns {number[] | null}
 */
function boxOf(boxes) {
  if (!boxes.length) return null;
  let [x0, y0, x1, y1] = [Infinity, Infinity, -Infinity, -Infinity];
  for (let i = 0; i < boxes.length; i += 4) {
    x0 = Math.min(x0, boxes[i]);
    y0 = Math.min(y0, boxes[i + 1]);
    x1 = Math.max(x1, boxes[i + 2]);
    y1 = Math.max(y1, boxes[i + 3]);
  }
  return [x0, y0, x1, y1];
}
