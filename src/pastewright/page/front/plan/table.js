/**
 * The pads of a plan as a table: searched by words or by a dose, filtered, the chosen one marked.
 * @module
 */
import { counted, fill, h, oneStop } from "../parts.js";

const SHOWN = 3; // digits of a volume in µL: a nanolitre
const MOST_ROWS = 120; // more make a phone slow; the search finds the others

/** @typedef {import("./picture.js").PlanPad} PlanPad */

/**
 * Returns a test for what was typed: words that name a pad, part, net, form or reason; a dose in µL ("0.104", which meets
 * all that round to it), or an interval of doses (">0.1", "<=0.05", "0.05-0.1").
 * @param {string} typed
 * @returns {(pad: PlanPad) => boolean}
 */
export function meets(typed) {
  const text = typed.trim().toLowerCase();
  if (!text) return () => true;
  const doses = text.replace(/\s*[µμu]l/g, "").replaceAll(",", ".");
  const number = "(\\d*\\.?\\d+)";
  const dose = (/** @type {PlanPad} */ pad) => Number(pad.target.toFixed(SHOWN)); // what the table says is what is compared
  const range = new RegExp(`^${number}\\s*(?:-|–|to|\\.\\.)\\s*${number}$`).exec(doses);
  if (range) return (pad) => dose(pad) >= Number(range[1]) && dose(pad) <= Number(range[2]);
  const limit = new RegExp(`^([<>≤≥])(=?)\\s*${number}$`).exec(doses);
  if (limit) {
    const value = Number(limit[3]);
    const equal = Boolean(limit[2]) || "≤≥".includes(limit[1]);
    const above = ">≥".includes(limit[1]);
    return (pad) => (above ? dose(pad) > value : dose(pad) < value) || (equal && dose(pad) === value);
  }
  const words = text.split(/\s+/);
  const named = (/** @type {PlanPad} */ pad) => {
    const all = [pad.id, pad.ref, pad.net, pad.kind, pad.form, pad.reason].join(" ").toLowerCase();
    return words.every((word) => all.includes(word));
  };
  const value = new RegExp(`^=?\\s*${number}$`).exec(doses)?.[1];
  if (!value?.includes(".")) return named; // a whole number is a pin's or a part's
  const digits = value.length - value.indexOf(".") - 1;
  return (pad) => Math.abs(pad.target - Number(value)) <= 0.5 * 10 ** -digits;
}

/** The table with its search; `pick` is called with a pad's number. */
export class PadTable {
  /** @param {(n: number) => void} pick @param {(shown: number[]) => void} filtered */
  constructor(pick, filtered) {
    this.pick = pick;
    this.filtered = filtered;
    /** @type {PlanPad[]} */
    this.pads = [];
    /** @type {Set<number>} */
    this.changed = new Set();
    this.chosen = -1;
    this.typed = h("input", { type: "search", placeholder: "U1, GND, 0.104, >0.1, 0.05-0.1", oninput: () => this.show() });
    this.looks = h("input", { type: "checkbox", onchange: () => this.show() });
    this.onlyChanged = h("input", { type: "checkbox", onchange: () => this.show() });
    this.changedLabel = h("label", { class: "check", hidden: true }, this.onlyChanged, "Changed by the last planning");
    this.body = h("tbody", {});
    this.more = h("p", { class: "aside", "aria-live": "polite" });
    this.element = h(
      "section",
      { class: "pads" },
      h("label", { class: "field" }, h("span", {}, "Find by part, net, reason, or dose in µL"), this.typed),
      h("div", { class: "row" }, h("label", { class: "check" }, this.looks, "Needs a look"), this.changedLabel),
      h(
        "div",
        { class: "wide", tabindex: "0", role: "group", "aria-label": "Pads" },
        h(
          "table",
          {},
          h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Pad"), h("th", { scope: "col", class: "number" }, "Dose"), h("th", { scope: "col", class: "number" }, "Laid, µL"), h("th", { scope: "col", class: "number" }, "Off by"), h("th", { scope: "col" }, "As"), h("th", { scope: "col" }, "Why"))),
          this.body,
        ),
      ),
      this.more,
    );
  }

  /** @param {PlanPad[]} pads @param {Set<number>} changed */
  take(pads, changed) {
    this.pads = pads;
    this.changed = changed;
    this.changedLabel.hidden = !changed.size;
    if (!changed.size) this.onlyChanged.checked = false;
    this.show();
  }

  show() {
    const test = meets(this.typed.value);
    const found = this.pads
      .map((_, n) => n)
      .filter((n) => test(this.pads[n]) && (!this.looks.checked || this.pads[n].looks.length) && (!this.onlyChanged.checked || this.changed.has(n)));
    const shown = found.slice(0, MOST_ROWS);
    if (this.chosen >= 0 && found.includes(this.chosen) && !shown.includes(this.chosen)) shown.unshift(this.chosen);
    fill(this.body, shown.map((n) => this.row(n)));
    oneStop(this.body, "button.name");
    this.more.textContent = found.length > shown.length ? `${shown.length} of ${counted(found.length, "pad")} shown.` : counted(found.length, "pad");
    this.filtered(found.length === this.pads.length ? [] : found);
  }

  /** @param {number} n */
  row(n) {
    const pad = this.pads[n];
    const name = h("button", { type: "button", class: "quiet name", "aria-pressed": n === this.chosen ? "true" : "false", onclick: () => this.pick(n) }, pad.id);
    return h(
      "tr",
      { class: n === this.chosen ? "chosen" : "" },
      h("td", {}, name, pad.looks.length ? h("span", { class: "look", title: pad.looks.join("; ") }, " △") : null),
      h("td", { class: "number" }, pad.target.toFixed(SHOWN)),
      h("td", { class: "number" }, pad.planned.toFixed(SHOWN)),
      h("td", { class: "number" }, pad.off ? `± ${(100 * pad.off.within).toFixed(0)} %` : "–"),
      h("td", {}, pad.form),
      h("td", { class: "soft" }, pad.reason),
    );
  }

  /** @param {number} n */
  choose(n) {
    this.chosen = n;
    this.show();
  }
}
