/**
 * The view of a board, as the server gives it, to layers; shared by every screen that shows one.
 * @module
 */
import { areaLayer, filmLayer, holeLayer, trace } from "./layers.js";
import { inside } from "./grid.js";

/**
 * @typedef {{id: string, ref: string, pin: string, net: string, kind: string, why: string, at: number[], area: number,
 *   land: number[][], openings: number[][], from: string}} PadView
 * @typedef {{name: string, side: string, size: number[], in_words: string, sha256: string,
 *   problems: import("../server.js").ProblemRow[],
 *   layers: {file: string, role: string, how: string, used: boolean, note: string}[], roles: string[],
 *   outline: number[][], copper: number[][][], mask: number[][][], legend: number[][][], pads: PadView[],
 *   holes: (number | boolean | null)[][], fiducials: {at: number[], d: number, why: string}[],
 *   left_out: {rings: number[][], why: string, from: string}[]}} BoardData
 */

const MARGIN_UM = 1500;

/**
 * Returns the layers of a board, lowest first.
 * @param {BoardData} board
 * @returns {import("./layers.js").Layer[]}
 */
export function boardLayers(board) {
  const [wide, high] = board.size.map((mm) => 1000 * mm);
  const rings = board.outline.length ? board.outline : [[0, 0, wide, 0, wide, high, 0, high]];
  const pasted = board.pads.filter((pad) => pad.openings.length && pad.kind !== "fiducial");
  const bare = board.pads.filter((pad) => !pad.openings.length && pad.kind !== "fiducial");
  const marks = board.pads.filter((pad) => pad.kind === "fiducial");
  return [
    areaLayer("outline", "Board", [rings], { fill: "board", stroke: "edge", dashed: !board.outline.length }),
    filmLayer("copper", "Copper", board.copper, { fill: "copper" }),
    filmLayer("mask", "Mask openings", board.mask, { fill: "mask" }),
    areaLayer("lands", "Pads with paste", pasted.map((pad) => pad.land), { fill: "land" }),
    areaLayer("bare", "Pads without paste", bare.map((pad) => pad.land), { fill: "bare" }),
    areaLayer("fiducials", "Fiducials", marks.map((pad) => pad.land), { fill: "fiducial" }),
    areaLayer("left", "Not paste", board.left_out.map((each) => each.rings), { fill: "left", alpha: 0.8 }),
    filmLayer("legend", "Legend", board.legend, { fill: "legend" }),
    holeLayer(board.holes),
    areaLayer("openings", "Paste openings", pasted.map((pad) => pad.openings), { fill: "opening", alpha: 0.8 }),
  ].filter((layer) => layer.box || layer.name === "holes");
}

/**
 * Returns the box of a board with a margin [µm].
 * @param {BoardData} board
 */
export function boardBox(board) {
  let [x0, y0, x1, y1] = [0, 0, 1000 * board.size[0], 1000 * board.size[1]];
  for (const pad of board.pads) {
    const [x, y] = pad.at;
    [x0, y0, x1, y1] = [Math.min(x0, x), Math.min(y0, y), Math.max(x1, x), Math.max(y1, y)];
  }
  return [x0 - MARGIN_UM, y0 - MARGIN_UM, x1 + MARGIN_UM, y1 + MARGIN_UM];
}

/**
 * Returns the box of a pad's land [µm].
 * @param {PadView} pad
 */
export function padBox(pad) {
  const [xs, ys] = [0, 1].map((odd) => pad.land.flatMap((ring) => ring.filter((_, i) => i % 2 === odd)));
  return [Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys)];
}

/**
 * Returns the number of the pad at a place, of those near to it the nearest; -1 for none.
 * @param {PadView[]} pads @param {{x: number, y: number, within: number}} place
 */
export function padAt(pads, { x, y, within }) {
  let [best, least] = [-1, within];
  for (let n = 0; n < pads.length; n += 1) {
    if (inside(pads[n].land, x, y)) return n;
    const away = Math.hypot(pads[n].at[0] - x, pads[n].at[1] - y);
    if (away < least) [best, least] = [n, away];
  }
  return best;
}

/**
 * Returns a switch for the names of parts, on where no legend shows them, and what draws them over the picture.
 * @param {BoardData} board
 */
export function nameLayer(board) {
  const draw = nameOverlay(board);
  /** @type {import("./layers.js").Layer} */
  const layer = { name: "names", words: "Names", shown: !board.legend.length, box: null, draw: () => undefined };
  /** @type {typeof draw} */
  const over = (ink, window, colours) => {
    if (layer.shown) draw(ink, window, colours);
  };
  return { layer, over };
}

/**
 * Returns what draws the names of parts over the picture, where there is room for them.
 * @param {BoardData} board
 */
function nameOverlay(board) {
  /** @type {Map<string, number[]>} */
  const boxes = new Map();
  for (const pad of board.pads) {
    if (!pad.ref) continue;
    const [x, y] = pad.at;
    const old = boxes.get(pad.ref) || [x, y, x, y];
    boxes.set(pad.ref, [Math.min(old[0], x), Math.min(old[1], y), Math.max(old[2], x), Math.max(old[3], y)]);
  }
  const names = [...boxes];
  return (
    /** @type {CanvasRenderingContext2D} */ ink,
    /** @type {import("./layers.js").Window} */ { x0, y0, x1, y1, pixel },
    /** @type {Record<string, string>} */ colours,
  ) => {
    const near = names.filter(
      ([name, [a, b, c, d]]) => c >= x0 && a <= x1 && d >= y0 && b <= y1 && Math.max(c - a, d - b) > 3 * name.length * pixel,
    );
    if (near.length > 400) return;
    ink.save();
    ink.textAlign = "center";
    ink.textBaseline = "middle";
    ink.font = "600 11px system-ui, sans-serif";
    ink.lineJoin = "round";
    for (const [name, [a, b, c, d]] of near) {
      ink.save();
      ink.translate((a + c) / 2, (b + d) / 2);
      ink.scale(pixel, -pixel);
      ink.lineWidth = 3;
      ink.strokeStyle = colours.halo;
      ink.strokeText(name, 0, 0);
      ink.fillStyle = colours.words;
      ink.fillText(name, 0, 0);
      ink.restore();
    }
    ink.restore();
  };
}

/**
 * Returns what draws a ring around chosen pads.
 * @param {() => PadView[]} chosen
 */
export function pickOverlay(chosen) {
  return (
    /** @type {CanvasRenderingContext2D} */ ink,
    /** @type {import("./layers.js").Window} */ { pixel },
    /** @type {Record<string, string>} */ colours,
  ) => {
    ink.strokeStyle = colours.pick;
    ink.lineWidth = 2.5 * pixel;
    for (const pad of chosen()) {
      ink.beginPath();
      trace(ink, pad.land);
      ink.stroke();
      const [x0, y0, x1, y1] = padBox(pad);
      const room = 5 * pixel;
      ink.strokeRect(x0 - room, y0 - room, x1 - x0 + 2 * room, y1 - y0 + 2 * room);
    }
  };
}
