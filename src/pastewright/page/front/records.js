/**
 * Records: barrels with their accounts, runs, batches and their boards, and the exports.
 * @module
 */
import { get, on, oneAtATime, post } from "./server.js";
import { button, fill, h, moment } from "./parts.js";
import { trying } from "./messages.js";
import { field } from "./asking.js";

const when = (/** @type {number | null} */ at) => (at ? moment(at) : "–");

export default class RecordsScreen extends HTMLElement {
  barrels = h("section", { class: "card" });
  barrelRows = h("div", {});
  told = "";
  runs = h("section", { class: "card wide", tabindex: "0", "aria-label": "Runs" });
  batches = h("section", { class: "card" });

  connectedCallback() {
    fill(
      this,
      h("h1", {}, "Records"),
      h(
        "p",
        { class: "row" },
        h("a", { class: "button", href: "/records/export/csv", download: "boards.csv" }, "Boards as CSV"),
        h("a", { class: "button", href: "/records/export/json", download: "boards.json" }, "Boards as JSON"),
      ),
      h("div", { class: "cards" }, this.barrels, this.batches),
      this.runs,
    );
    // The form stands by itself: what is being typed must outlive whatever is told anew.
    fill(this.barrels, h("h2", {}, "Barrels"), this.barrelRows, h("h3", {}, "A new barrel"), this.form());
    this.off = on("run", () => trying(() => this.look()));
    trying(() => this.look());
  }

  disconnectedCallback() {
    if (this.off) this.off();
    this.told = "";
  }

  /** Shows what the journal has now. One answer after the other: an old one that comes late must not be the last. */
  look = oneAtATime(() => this.lookOnce());

  async lookOnce() {
    const found = await get("/records/look");
    const now = JSON.stringify(found);
    if (now === this.told) return;
    this.told = now;
    this.showBarrels(found.barrels);
    this.showBatches(found.batches);
    this.showRuns(found.runs);
  }

  /** @param {object} data */
  change(data) {
    return trying(async () => {
      await post("/records/barrel", data);
      await this.look();
      return true;
    });
  }

  form() {
    const name = h("input", { type: "text" });
    const ul = h("input", { type: "number", min: 0, step: "any", value: "2500" });
    const lot = h("input", { type: "text" });
    return h(
      "form",
      {
        onsubmit: async (/** @type {Event} */ event) => {
          event.preventDefault();
          const entered = await this.change({ what: "new", name: name.value, ul: Number(ul.value), lot: lot.value });
          if (entered) name.value = lot.value = ""; // the next barrel has another name
        },
      },
      field("Name, as on its label", name),
      field("Filled, in µL", ul),
      field("Lot", lot),
      h("button", { class: "main" }, "Enter it"),
    );
  }

  /** @param {any[]} rows */
  showBarrels(rows) {
    const open = new Set(Array.from(this.barrelRows.querySelectorAll("details[open]"), (each) => each.id));
    fill(
      this.barrelRows,
      rows.map((row) => {
        const put = h("input", { type: "number", min: 0, step: "any" });
        return h(
          "details",
          { id: `barrel-${row.name}`, open: open.has(`barrel-${row.name}`) },
          h(
            "summary",
            {},
            `${row.name}: ${row.left_ul.toFixed(0)} of ${row.filled_ul.toFixed(0)} µL left`,
            row.doubt_ul >= 0.05 ? ` (± ${row.doubt_ul.toFixed(1)})` : "",
            row.ended_at ? ", ended" : row.opened_at ? `, opened ${when(row.opened_at)}` : ", not opened",
          ),
          row.ended_at
            ? null
            : [
                h(
                  "div",
                  { class: "row" },
                  row.opened_at ? null : button("Open it", () => this.change({ what: "open", name: row.name })),
                  button("End it", () => this.change({ what: "end", name: row.name }), { class: "quiet" }),
                ),
                h("div", { class: "row" }, field(`Put into ${row.name}, in µL`, put), button("Refill", () => this.change({ what: "refill", name: row.name, ul: Number(put.value) }))),
              ],
          h(
            "ul",
            { class: "rows" },
            row.history.map((/** @type {any[]} */ [at, what, moved, note]) =>
              h("li", {}, `${when(at)}  ${what}  ${moved > 0 ? "+" : ""}${moved.toFixed(2)} µL ${note}`),
            ),
          ),
        );
      }),
    );
  }

  /** @param {any[]} rows */
  showBatches(rows) {
    fill(
      this.batches,
      h("h2", {}, "Batches"),
      rows.length ? null : h("p", {}, "No batch yet."),
      rows.map((row) =>
        h(
          "details",
          { open: !row.ended_at },
          h("summary", {}, `${row.name}, ${when(row.began_at)}${row.ended_at ? "" : ", not ended"}`),
          h(
            "ul",
            { class: "rows" },
            row.places.map((/** @type {any} */ one) =>
              h("li", {}, `${one.place}: ${one.serial}, ${one.side}: ${one.state}${one.note ? ` – ${one.note}` : ""}`),
            ),
          ),
        ),
      ),
    );
  }

  /** @param {any[]} rows */
  showRuns(rows) {
    const head = ["run", "when", "what", "board", "done", "in doubt", "not started", "paste", "how it ended"];
    fill(
      this.runs,
      h("h2", {}, "Runs"),
      rows.length ? null : h("p", {}, "No run yet."),
      h(
        "table",
        {},
        h("thead", {}, h("tr", {}, head.map((word) => h("th", { scope: "col" }, word)))),
        h(
          "tbody",
          {},
          rows.map((row) =>
            h(
              "tr",
              {},
              h("td", { class: "number" }, row.id),
              h("td", { class: "whole" }, when(row.began_at)),
              h("td", {}, `${row.kind}${row.dry ? ", in the air" : ""}`),
              h("td", {}, `${row.board}, ${row.side}, ${row.number}`),
              h("td", { class: "number" }, row.counts["done"] || 0),
              h("td", { class: "number" }, row.counts["to be checked"] || 0),
              h("td", { class: "number" }, row.counts["not started"] || 0),
              h("td", { class: "number" }, `${row.used_ul.toFixed(2)} µL`),
              h("td", {}, `${row.on ? "on" : row.phase}${row.why ? `: ${row.why}` : ""}`),
            ),
          ),
        ),
      ),
    );
  }
}
