/**
 * Bench: the profile as a form made of the table of keys that checks it; its text for the rest; what tuning taught.
 * @module
 */
import { get, on, post } from "./server.js";
import { button, choice, counted, fill, h } from "./parts.js";
import { problemList, say, trying } from "./messages.js";

/**
 * @typedef {{path: string, name: string, kind: string, unit: string, comment: string, accepts: string, choices: string[],
 *   need: string, default: any, value: any}} KeyRow
 */

const WAIT_MS = 350; // after the last letter, before the lines are shown

export default class BenchScreen extends HTMLElement {
  /**
   * What was changed and not written yet, by path.
   * @type {Map<string, any>}
   */
  changed = new Map();
  seen = "";
  late = 0;
  below = h("section", { class: "card foot", "aria-live": "polite", hidden: true });
  body = h("div", {});

  connectedCallback() {
    this.append(this.body, this.below);
    this.off = on("desk", (desk) => {
      this.desk = desk;
      if (desk.bench !== this.seen || !this.body.childElementCount) {
        this.seen = desk.bench;
        trying(() => this.look());
      }
    });
  }

  disconnectedCallback() {
    if (this.off) this.off();
    clearTimeout(this.late);
  }

  async look() {
    const bench = await get("/bench/look");
    this.changed.clear();
    this.below.hidden = true;
    fill(this.body, bench.file ? this.whole(bench) : null, this.beginning(bench));
  }

  /** @param {any} bench */
  beginning(bench) {
    const example = choice("Example", bench.examples.map((/** @type {string} */ name) => ({ id: name, name })), bench.examples[0], () => undefined);
    const begin = () =>
      trying(async () => {
        await post("/bench/begin", { example: /** @type {HTMLSelectElement} */ (example.querySelector("select")).value });
        this.seen = "";
      });
    return h(
      bench.file ? "details" : "section",
      { class: bench.file ? "" : "card" },
      bench.file ? h("summary", {}, "Another bench") : h("h1", {}, "Bench"),
      bench.file ? null : h("p", {}, "A bench is a file: your machine, barrel, tip and paste. Begin with the example nearest to yours, and change what differs."),
      h("div", { class: "row" }, example, button("Begin with it", begin, { class: bench.file ? "" : "main" })),
    );
  }

  /** @param {any} bench */
  whole(bench) {
    const find = h("input", { type: "search", placeholder: "tip, clearance, mm/s", oninput: () => this.filter(find.value) });
    return [
      h("h1", {}, bench.file),
      this.desk.benches.length > 1 ? choice("Bench", this.desk.benches, this.desk.bench, (id) => trying(() => post("/start/choose", { bench: id }))) : null,
      bench.good ? h("p", { class: "good" }, "✓ The bench can be used.") : h("p", { class: "bad" }, "✕ The bench cannot be used as it is."),
      bench.problems.length ? problemList(bench.problems) : null,
      bench.good ? h("label", { class: "field" }, h("span", {}, "Find a key"), find) : h("p", {}, "Mend these lines in the text below; then the form is back."),
      bench.good ? h("div", { class: "sections" }, bench.sections.filter((/** @type {any} */ each) => each.keys.length).map((/** @type {any} */ each) => this.section(each))) : null,
      this.asText(bench),
      bench.history.length ? history(bench.history) : h("p", { class: "aside" }, "Nothing was tuned yet on this bench."),
    ];
  }

  /** @param {{name: string, about: string, keys: KeyRow[]}} section */
  section(section) {
    return h(
      "details",
      { class: "section" },
      h("summary", {}, section.name || "bench", h("span", { class: "soft" }, ` ${section.about.replaceAll("`", "")}`)),
      section.keys.map((key) => this.field(key)),
    );
  }

  /** @param {KeyRow} key */
  field(key) {
    const id = `key-${key.path}`;
    const heard = (/** @type {Event} */ event) => this.change(key, typed(key, /** @type {any} */ (event.target)));
    const shown = key.value ?? "";
    const hint = key.need === "required" ? "" : key.default === null ? "left out" : `left out: ${key.default}`;
    /** @type {HTMLElement} */
    let input;
    if (key.kind === "one of" || key.kind === "true or false") {
      const words = key.kind === "one of" ? key.choices : ["true", "false"];
      const left = key.need === "required" ? [] : [h("option", { value: "", selected: shown === "" }, hint)];
      input = h("select", { id, onchange: heard }, left, words.map((word) => h("option", { value: word, selected: String(shown) === word }, word)));
    } else {
      const text = key.kind === "text" || key.kind === "place";
      const value = Array.isArray(shown) ? shown.join(", ") : shown;
      input = h("input", { id, value, placeholder: hint, inputmode: text ? "text" : "decimal", oninput: heard, disabled: key.kind === "pairs" || key.kind === "list" });
    }
    return h(
      "div",
      { class: "key-field", "data-words": `${key.path} ${key.comment} ${key.unit}`.toLowerCase() },
      h("label", { for: id }, key.name.replaceAll("_", " ").replace(/ (mm s2|mm s|mm|s|ul|ml|percent|deg|nm|kpa|pa|mpa|c)$/, ""), key.unit ? h("span", { class: "soft" }, ` [${key.unit}]`) : null, key.need === "required" ? h("span", { class: "soft" }, " – needed") : null),
      input,
      h("p", { class: "aside" }, key.comment, ["text", "one of", "true or false"].includes(key.kind) ? "" : ` (${key.accepts})`),
    );
  }

  /** @param {KeyRow} key @param {any} value */
  change(key, value) {
    const same = JSON.stringify(value) === JSON.stringify(key.value ?? null);
    if (same) this.changed.delete(key.path);
    else this.changed.set(key.path, value);
    clearTimeout(this.late);
    this.late = setTimeout(() => this.showLines(), WAIT_MS);
  }

  async showLines() {
    this.below.hidden = !this.changed.size;
    if (!this.changed.size) return;
    const values = Object.fromEntries(this.changed);
    const back = button("Put back", () => trying(() => this.look()), {});
    try {
      const { lines } = await post("/bench/change", { values });
      fill(
        this.below,
        h("h2", {}, `${counted(this.changed.size, "change")}, not written yet`),
        h("pre", { class: "lines", tabindex: "0" }, lines.map((/** @type {any} */ each) => h("span", { class: each.sign === "+" ? "plus" : each.sign === "-" ? "minus" : "" }, `${each.sign} ${each.text}\n`))),
        h("div", { class: "row" }, button("Write them", () => trying(() => this.write(values)), { class: "main" }), back),
      );
    } catch (error) {
      const problems = /** @type {any} */ (error).problems;
      if (!problems) throw error;
      fill(this.below, h("h2", {}, "That does not fit"), problemList(problems), back);
    }
  }

  /** @param {object} values */
  async write(values) {
    await post("/bench/change", { values, write: true });
    say("The bench was written; comments and order stayed.");
    const open = [...this.body.querySelectorAll("details.section[open] summary")].map((each) => each.firstChild?.textContent);
    await this.look();
    for (const summary of this.body.querySelectorAll("details.section summary"))
      if (open.includes(summary.firstChild?.textContent)) /** @type {HTMLDetailsElement} */ (summary.parentElement).open = true;
  }

  /** @param {string} typed_ */
  filter(typed_) {
    const words = typed_.toLowerCase().split(/\s+/).filter(Boolean);
    for (const section of /** @type {NodeListOf<HTMLDetailsElement>} */ (this.body.querySelectorAll("details.section"))) {
      let some = false;
      for (const field of /** @type {NodeListOf<HTMLElement>} */ (section.querySelectorAll(".key-field"))) {
        field.hidden = !words.every((word) => field.dataset.words?.includes(word));
        some ||= !field.hidden;
      }
      section.hidden = !some;
      section.open = words.length > 0 && some;
    }
  }

  /** @param {any} bench */
  asText(bench) {
    const area = h("textarea", { rows: "18", spellcheck: "false", "aria-label": `${bench.file} as text`, class: "text" });
    area.value = bench.text;
    const answer = h("div", { "aria-live": "polite" });
    const go = (/** @type {boolean} */ write) =>
      trying(async () => {
        try {
          const { problems } = await post("/bench/text", { text: area.value, write });
          if (write) {
            say("The bench was written.");
            await this.look();
          } else fill(answer, h("p", { class: "good" }, "✓ This can be used."), problems.length ? problemList(problems) : null);
        } catch (error) {
          const problems = /** @type {any} */ (error).problems;
          if (!problems) throw error;
          fill(answer, problemList(problems));
        }
      });
    return h(
      "details",
      { open: !bench.good },
      h("summary", {}, "The file as text"),
      h("p", { class: "aside" }, "Rules for doses and the history of tuning stand here too. What is wrong is told by its line."),
      area,
      h("div", { class: "row" }, button("Check", () => go(false)), button("Write it", () => go(true))),
      answer,
    );
  }
}

/**
 * Returns what was typed, as the file would have it; null leaves the key out.
 * @param {KeyRow} key @param {HTMLInputElement | HTMLSelectElement} input
 */
function typed(key, input) {
  const text = input.value.trim();
  if (text === "") return null;
  if (key.kind === "true or false") return text === "true";
  if (key.kind === "number" || key.kind === "whole number") return Number.isFinite(Number(text)) ? Number(text) : text;
  if (key.kind === "place") return text.split(",").map(Number);
  return input.value;
}

/** @param {Record<string, string>[]} rows */
function history(rows) {
  const heads = Object.keys(rows[0]).filter((name) => rows.some((row) => row[name]));
  return h(
    "section",
    { class: "card" },
    h("h2", {}, "What tuning taught"),
    h("img", { src: "/bench/drift.svg", alt: "How the constants drift from trial to trial; the table below has the numbers.", class: "plot" }),
    h(
      "div",
      { class: "wide", tabindex: "0", role: "group", "aria-label": "Trials" },
      h(
        "table",
        {},
        h("thead", {}, h("tr", {}, heads.map((name) => h("th", { scope: "col" }, name)))),
        h("tbody", {}, rows.map((row) => h("tr", {}, heads.map((name) => h("td", {}, row[name]))))),
      ),
    ),
  );
}
