/**
 * Boxes to what lies in a window: a grid over them, so that a picture of a part looks at the things of that part only.
 * @module
 */

const PER_CELL = 6; // things in a cell on average: few to look at, few cells to walk (measured with bench/page.py)

/** Things by their boxes, each four numbers: left, low, right, high. */
export class Grid {
  /** @param {Float64Array} boxes 4 numbers a thing */
  constructor(boxes) {
    this.boxes = boxes;
    const count = boxes.length / 4;
    let [x0, y0, x1, y1] = [Infinity, Infinity, -Infinity, -Infinity];
    for (let i = 0; i < boxes.length; i += 4) {
      x0 = Math.min(x0, boxes[i]);
      y0 = Math.min(y0, boxes[i + 1]);
      x1 = Math.max(x1, boxes[i + 2]);
      y1 = Math.max(y1, boxes[i + 3]);
    }
    if (!count) [x0, y0, x1, y1] = [0, 0, 1, 1];
    const cells = Math.max(1, count / PER_CELL);
    const wide = Math.max(x1 - x0, 1e-9);
    const high = Math.max(y1 - y0, 1e-9);
    this.columns = Math.min(400, Math.max(1, Math.round(Math.sqrt((cells * wide) / high))));
    this.rows = Math.min(400, Math.max(1, Math.round(cells / this.columns)));
    this.x0 = x0;
    this.y0 = y0;
    this.sx = this.columns / wide;
    this.sy = this.rows / high;
    /** @type {number[][]} */
    this.cells = Array.from({ length: this.columns * this.rows }, () => []);
    this.seen = new Uint32Array(count);
    this.asked = 0;
    for (let n = 0; n < count; n += 1) {
      const [c0, r0, c1, r1] = this.reach(boxes[4 * n], boxes[4 * n + 1], boxes[4 * n + 2], boxes[4 * n + 3]);
      for (let r = r0; r <= r1; r += 1) for (let c = c0; c <= c1; c += 1) this.cells[r * this.columns + c].push(n);
    }
  }

  /** @param {number} x0 @param {number} y0 @param {number} x1 @param {number} y1 */
  reach(x0, y0, x1, y1) {
    const clamp = (/** @type {number} */ v, /** @type {number} */ most) => Math.min(Math.max(Math.floor(v), 0), most);
    return [
      clamp((x0 - this.x0) * this.sx, this.columns - 1),
      clamp((y0 - this.y0) * this.sy, this.rows - 1),
      clamp((x1 - this.x0) * this.sx, this.columns - 1),
      clamp((y1 - this.y0) * this.sy, this.rows - 1),
    ];
  }

  /**
   * Returns the numbers of the things whose boxes meet a window, in order.
   * @param {number} x0 @param {number} y0 @param {number} x1 @param {number} y1
   */
  within(x0, y0, x1, y1) {
    this.asked += 1;
    const { boxes, seen, asked } = this;
    const [c0, r0, c1, r1] = this.reach(x0, y0, x1, y1);
    /** @type {number[]} */
    const found = [];
    for (let r = r0; r <= r1; r += 1) {
      for (let c = c0; c <= c1; c += 1) {
        for (const n of this.cells[r * this.columns + c]) {
          if (seen[n] === asked) continue;
          seen[n] = asked;
          const i = 4 * n;
          if (boxes[i] <= x1 && boxes[i + 2] >= x0 && boxes[i + 1] <= y1 && boxes[i + 3] >= y0) found.push(n);
        }
      }
    }
    return found.sort((a, b) => a - b);
  }
}

/**
 * Returns the box of rings (x, y, x, y, …) into `boxes` at thing `n`.
 * @param {Float64Array} boxes
 * @param {number} n
 * @param {number[][]} rings
 */
export function boxOfRings(boxes, n, rings) {
  let [x0, y0, x1, y1] = [Infinity, Infinity, -Infinity, -Infinity];
  for (const ring of rings) {
    for (let i = 0; i < ring.length; i += 2) {
      if (ring[i] < x0) x0 = ring[i];
      if (ring[i] > x1) x1 = ring[i];
      if (ring[i + 1] < y0) y0 = ring[i + 1];
      if (ring[i + 1] > y1) y1 = ring[i + 1];
    }
  }
  boxes.set([x0, y0, x1, y1], 4 * n);
}

/**
 * Tells whether a point is inside rings, by the even-odd rule.
 * @param {number[][]} rings @param {number} x @param {number} y
 */
export function inside(rings, x, y) {
  let odd = false;
  for (const ring of rings) {
    const length = ring.length;
    for (let i = 0, j = length - 2; i < length; j = i, i += 2) {
      const [xa, ya, xb, yb] = [ring[i], ring[i + 1], ring[j], ring[j + 1]];
      if (ya > y !== yb > y && x < ((xb - xa) * (y - ya)) / (yb - ya) + xa) odd = !odd;
    }
  }
  return odd;
}
