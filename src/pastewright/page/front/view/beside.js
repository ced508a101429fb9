/**
 * What stands beside a picture of a board: switches of its layers, and words about a pad.
 * @module
 */
import { h } from "../parts.js";

/**
 * Returns switches that show and hide layers.
 * @param {import("./layers.js").Layer[]} layers
 * @param {import("./board-view.js").BoardView} view
 * @param {(layer: import("./layers.js").Layer) => void} [changed]
 */
export function layerSwitches(layers, view, changed = () => undefined) {
  return h(
    "fieldset",
    { class: "switches" },
    h("legend", {}, "Shown"),
    layers.map((layer) => {
      const box = h("input", {
        type: "checkbox",
        checked: layer.shown,
        onchange: () => {
          layer.shown = box.checked;
          changed(layer);
          view.redraw();
        },
      });
      return h("label", { class: "check" }, box, layer.words);
    }),
  );
}

/**
 * Returns what a pad is.
 * @param {import("./scene.js").PadView} pad
 */
export function padWords(pad) {
  const rows = [
    ["kind", pad.why ? `${pad.kind} (${pad.why})` : pad.kind],
    ["net", pad.net || "not named"],
    ["at", `${(pad.at[0] / 1000).toFixed(2)}, ${(pad.at[1] / 1000).toFixed(2)} mm`],
    ["area", `${pad.area.toFixed(3)} mm²`],
    ["read from", pad.from],
  ];
  return h("section", {}, h("h2", {}, pad.id), h("dl", {}, rows.flatMap(([name, words]) => [h("dt", {}, name), h("dd", {}, words)])));
}
