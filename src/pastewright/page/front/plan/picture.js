/**
 * A plan to look at: its deposits as a layer over the board, and what lies beside the board.
 * @module
 */
import { areaLayer, depositBoxes, depositLayer, trace } from "../view/layers.js";

/**
 * @typedef {{id: string, own: string, land: string, ref: string, pin: string, net: string, kind: string, at: number[], target: number, planned: number,
 *   mg: number, form: string, reason: string, from: string, looks: string[], d: number[],
 *   bridges: {pad: string, gap: number, mend: string}[],
 *   off?: {bias: number, within: number, most: string, share: number}}} PlanPad
 * @typedef {{board: {name: string, side: string, size: number[], sha256: string}, boards: number, dry: boolean,
 *   stale: string[], profile: any, totals: any,
 *   verdict: {ok: boolean, findings: {kind: string, what: string, line: number, pad: string}[]}, warnings: string[],
 *   pads: PlanPad[], deposits: {id: number[], x: number[], y: number[], w: number[], ul: number[], pad: number[],
 *   rank: number[], fill: number[], sure: number[], lines: Record<string, number[]>}, beside: any,
 *   others: {name: string, edge: number[], lands: number[][][]}[]}} PlanData
 */

/** How deposits may be coloured: each with its classes, and the sign that tells a class without its colour. */
export const SCALES = {
  dose: {
    words: "Laid of the dose",
    looks: [
      { colour: "less", sign: "-", words: "under 70 %" },
      { colour: "lessish", sign: "-", words: "70 to 90 %" },
      { colour: "right", sign: "", words: "90 to 110 %" },
      { colour: "moreish", sign: "+", words: "110 to 130 %" },
      { colour: "more", sign: "+", words: "over 130 %" },
    ],
  },
  sure: {
    words: "What it may be off",
    looks: [
      { colour: "right", sign: "", words: "under 10 %" },
      { colour: "lessish", sign: "", words: "10 to 20 %" },
      { colour: "less", sign: "-", words: "20 to 30 %" },
      { colour: "moreish", sign: "+", words: "30 to 50 %" },
      { colour: "more", sign: "o", words: "over 50 %" },
    ],
  },
  look: {
    words: "What needs a look",
    looks: [
      { colour: "right", sign: "", words: "nothing to say" },
      { colour: "doubt", sign: "o", words: "has a remark" },
    ],
  },
  order: {
    words: "Order",
    looks: [
      { colour: "less", sign: "", words: "first fifth" },
      { colour: "lessish", sign: "", words: "" },
      { colour: "right", sign: "", words: "" },
      { colour: "moreish", sign: "", words: "" },
      { colour: "more", sign: "", words: "last fifth" },
    ],
  },
};

/** @typedef {keyof typeof SCALES} ScaleName */

/**
 * Returns the layer of a plan's paste, coloured by a scale.
 * @param {PlanData} plan @param {ScaleName} scale
 */
export function pasteLayer(plan, scale) {
  const { x, y, w, rank, fill, pad } = plan.deposits;
  const lines = new Map(Object.entries(plan.deposits.lines).map(([n, points]) => [Number(n), points]));
  const count = x.length;
  const cls = new Uint8Array(count);
  for (let n = 0; n < count; n += 1) {
    if (scale === "dose") cls[n] = fill[n];
    else if (scale === "sure") cls[n] = plan.deposits.sure[n];
    else if (scale === "look") cls[n] = plan.pads[pad[n]].looks.length ? 1 : 0;
    else cls[n] = Math.min(4, Math.floor((5 * rank[n]) / Math.max(count, 1)));
  }
  const deposits = { x, y, w, cls, lines };
  return { layer: depositLayer(deposits, /** @type {any} */ (SCALES[scale].looks)), deposits, boxes: depositBoxes(deposits) };
}

/**
 * Returns the layers of a tray's other boards: their edges and the lands that get paste.
 * @param {PlanData} plan
 * @returns {import("../view/layers.js").Layer[]}
 */
export function otherLayers(plan) {
  if (!plan.others.length) return [];
  return [
    areaLayer("others", "The tray's other boards", plan.others.map((each) => [each.edge]), { fill: "board", stroke: "edge" }),
    areaLayer("other-lands", "Their pads", plan.others.flatMap((each) => each.lands), { fill: "land" }),
  ];
}

/**
 * Returns what names a tray's other boards.
 * @param {PlanData} plan
 */
export function otherNames(plan) {
  return (
    /** @type {CanvasRenderingContext2D} */ ink,
    /** @type {import("../view/layers.js").Window} */ { pixel },
    /** @type {Record<string, string>} */ colours,
  ) => {
    for (const { name, edge } of plan.others) {
      const xs = edge.filter((_, i) => i % 2 === 0);
      const ys = edge.filter((_, i) => i % 2 === 1);
      words(ink, name, (Math.min(...xs) + Math.max(...xs)) / 2, Math.max(...ys), pixel, colours);
    }
  };
}

/**
 * Returns what draws strips, wiping pad, park place, keep-outs and neighbours.
 * @param {PlanData} plan
 */
export function besideOverlay(plan) {
  const { strips, thrown, park, card, wipe, neighbours, zones } = plan.beside;
  return (
    /** @type {CanvasRenderingContext2D} */ ink,
    /** @type {import("../view/layers.js").Window} */ { pixel },
    /** @type {Record<string, string>} */ colours,
  ) => {
    const line = (/** @type {number[]} */ [xa, ya, xb, yb], /** @type {string} */ colour, /** @type {number} */ width) => {
      ink.strokeStyle = colour;
      ink.lineWidth = Math.max(width, 2 * pixel);
      ink.lineCap = "round";
      ink.beginPath();
      ink.moveTo(xa, ya);
      ink.lineTo(xb, yb);
      ink.stroke();
    };
    strips.forEach((/** @type {number[]} */ strip) => {
      line(strip, colours.strip, 500);
      words(ink, "strip", strip[0], strip[1], pixel, colours);
    });
    thrown.forEach((/** @type {number[]} */ [x, y, wide]) => line([x, y, x, y], colours.strip, wide));
    if (wipe) {
      line(wipe, colours.travel, 2000);
      words(ink, "wiping pad", wipe[0], wipe[1], pixel, colours);
    }
    if (park) {
      const r = 7 * pixel;
      line([park[0] - r, park[1] - r, park[0] + r, park[1] + r], colours.travel, 0);
      line([park[0] - r, park[1] + r, park[0] + r, park[1] - r], colours.travel, 0);
      words(ink, "park", park[0], park[1] - 2 * r, pixel, colours);
    }
    if (card) {
      ink.strokeStyle = colours.strip;
      ink.lineWidth = 1.5 * pixel;
      ink.beginPath();
      trace(ink, [card.corners]);
      ink.stroke();
      const [x0, y0, x1, , , y1] = card.corners;
      words(ink, `card of a batch, ${card.rows} rows`, (x0 + x1) / 2, (y0 + y1) / 2, pixel, colours);
    }
    ink.setLineDash([6 * pixel, 4 * pixel]);
    for (const { name, corners } of neighbours) {
      ink.strokeStyle = colours.edge;
      ink.lineWidth = 1.5 * pixel;
      ink.beginPath();
      trace(ink, [corners]);
      ink.stroke();
      words(ink, name, corners[0], corners[1], pixel, colours);
    }
    ink.setLineDash([]);
    for (const zone of zones) {
      const [x0, y0, x1, y1] = zone.box;
      ink.save();
      ink.beginPath();
      ink.rect(x0, y0, x1 - x0, y1 - y0);
      ink.strokeStyle = colours.keep;
      ink.lineWidth = 2 * pixel;
      ink.stroke();
      ink.clip();
      ink.lineWidth = pixel;
      ink.beginPath();
      const step = 7 * pixel;
      // Hatched: a box that is only coloured could be a pad.
      for (let at = x0 - (y1 - y0); at < x1; at += Math.max(step, (x1 - x0 + y1 - y0) / 200)) {
        ink.moveTo(at, y0);
        ink.lineTo(at + (y1 - y0), y1);
      }
      ink.stroke();
      ink.restore();
      words(ink, zone.height_mm === null ? `${zone.name}: keep out` : `${zone.name}: keep out up to ${zone.height_mm} mm`, (x0 + x1) / 2, y1, pixel, colours);
    }
  };
}

/**
 * Draws words at a place, as large as letters of the page whatever the zoom.
 * @param {CanvasRenderingContext2D} ink @param {string} text @param {number} x @param {number} y @param {number} pixel
 * @param {Record<string, string>} colours
 */
export function words(ink, text, x, y, pixel, colours) {
  ink.save();
  ink.translate(x, y);
  ink.scale(pixel, -pixel);
  ink.font = "12px system-ui, sans-serif";
  ink.textAlign = "center";
  ink.lineWidth = 3;
  ink.lineJoin = "round";
  ink.strokeStyle = colours.halo;
  ink.strokeText(text, 0, -6);
  ink.fillStyle = colours.words;
  ink.fillText(text, 0, -6);
  ink.restore();
}

/**
 * Returns the box of a plan and what lies beside it [µm]; the card and the park place, mostly far off, where `whole`.
 * @param {PlanData} plan
 * @param {boolean} whole
 */
export function planBox(plan, whole) {
  const [wide, high] = plan.board.size.map((mm) => 1000 * mm);
  const box = [0, 0, wide, high];
  const grow = (/** @type {number[]} */ points) => {
    for (let i = 0; i < points.length; i += 2) {
      box[0] = Math.min(box[0], points[i]);
      box[1] = Math.min(box[1], points[i + 1]);
      box[2] = Math.max(box[2], points[i]);
      box[3] = Math.max(box[3], points[i + 1]);
    }
  };
  plan.beside.strips.forEach(grow);
  plan.beside.thrown.forEach((/** @type {number[]} */ [x, y]) => grow([x, y]));
  plan.others.forEach((each) => grow(each.edge));
  if (plan.beside.wipe) grow(plan.beside.wipe);
  if (whole && plan.beside.card) grow(plan.beside.card.corners);
  if (whole && plan.beside.park) grow(plan.beside.park);
  const margin = 2500;
  return [box[0] - margin, box[1] - margin, box[2] + margin, box[3] + margin];
}
