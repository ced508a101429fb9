/**
 * Colours of the board's pictures, in both schemes. Classes that mean something differ in lightness as well as in hue,
 * and bear a sign where they are large enough (`layers.js`); the scale from blue over pale to orange is told apart by
 * people who see no red or no green.
 * @module
 */

const LIGHT = {
  ground: "#e4e3da", board: "#2f5f4e", edge: "#173229", copper: "#3f7660", mask: "#86703f", land: "#c59b52",
  bare: "#8b7a58", opening: "#fff1cc", hole: "#12211b", plating: "#d9c48a", legend: "#e9efe9", fiducial: "#f4d35e",
  left: "#b3a4c0", less: "#3f6fc4", lessish: "#a9c8ee", right: "#f3f2ec", moreish: "#f2b05e", more: "#c94f1c",
  sign: "#10201a", pick: "#d6006c", travel: "#123d33", tip: "#d6006c", strip: "#8a6b1f", keep: "#8c1d1d", words: "#10201a", halo: "#f5f4efcc",
  wait: "#7c8a84", laid: "#f3f2ec", doubt: "#f2b05e", unsure: "#8f5bd0",
};
const DARK = {
  ground: "#0b100e", board: "#1d3d32", edge: "#7fae98", copper: "#2a5444", mask: "#5d5030", land: "#b58d49",
  bare: "#6a5f47", opening: "#f1dfae", hole: "#050807", plating: "#b8a46c", legend: "#c9d6cd", fiducial: "#ecc94b",
  left: "#8a7d96", less: "#5d92ee", lessish: "#abcdf7", right: "#f1f3ef", moreish: "#f5b86a", more: "#e06a34",
  sign: "#0a1411", pick: "#ff6ab3", travel: "#8fe0cc", tip: "#ff6ab3", strip: "#d8b65a", keep: "#ff8a80", words: "#eef3f0", halo: "#0b100ecc",
  wait: "#7c8a84", laid: "#f1f3ef", doubt: "#f5b86a", unsure: "#b48bf0",
};

/** Returns the colours of the scheme that the page is shown in. */
export function palette() {
  const asked = document.documentElement.dataset.scheme;
  const dark = asked ? asked === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
  return /** @type {Record<string, string>} */ (dark ? DARK : LIGHT);
}
