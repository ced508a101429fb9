/**
 * What boards teach: capability over all that were inspected, a witness row, notes after reflow.
 * @module
 */
import { finished, get, post, whenDone } from "./server.js";
import { button, counted, fill, h } from "./parts.js";
import { say, trying } from "./messages.js";
import { field } from "./asking.js";
import { photoChooser } from "./drop.js";

const percent = (/** @type {number} */ share, digits = 0) => `${(100 * share).toFixed(digits)} %`;

export class LearnedPart extends HTMLElement {
  process = h("div", {});
  row = h("div", {});
  notes = h("div", {});

  connectedCallback() {
    // A row that was judged from a phone's photo, or by another window, shows here, too.
    this.off = whenDone("row", () => trying(() => this.showRow()));
    if (this.childElementCount) return; // the panel around it was made anew: what is open stays open
    fill(
      this,
      h(
        "details",
        {},
        h("summary", {}, "The process, over all boards that were inspected"),
        h("p", { class: "aside" }, "Of this design and side, in this folder. Charts need five boards or more."),
        button("Put them together", () => trying(() => this.together())),
        this.process,
      ),
      h("details", {}, h("summary", {}, "Witness row"), this.witness()),
      h(
        "details",
        { ontoggle: () => trying(() => this.showNotes()) },
        h("summary", {}, "Notes after reflow"),
        this.notes,
      ),
    );
  }

  disconnectedCallback() {
    if (this.off) this.off();
  }

  async together() {
    const { task } = await post("/inspect/capability");
    if (!(await finished(task))) return;
    const told = await get("/inspect/capability/view");
    const rate = (/** @type {number[] | null} */ one) => (one ? `${percent(one[0], 1)} (${percent(one[1], 1)} to ${percent(one[2], 1)})` : "–");
    const head = ["class", "volumes", "mean", "spread", "Cpk", "missing", "bridged", "not seen"];
    fill(
      this.process,
      h("p", {}, `${counted(told.boards.length, "board")}, ${counted(told.deposits, "deposit")}.`),
      h(
        "div",
        { class: "wide", tabindex: "0", role: "group", "aria-label": "Capability by class" },
        h(
          "table",
          {},
          h("caption", {}, "In brackets: 95 % intervals"),
          h("thead", {}, h("tr", {}, head.map((word) => h("th", { scope: "col" }, word)))),
          h(
            "tbody",
            {},
            told.classes.map((/** @type {any} */ one) =>
              h(
                "tr",
                {},
                h("td", {}, one.kind),
                h("td", { class: "number" }, one.volumes),
                h("td", { class: "number" }, one.mean === null ? "–" : percent(one.mean)),
                h("td", { class: "number" }, one.sigma === null ? "–" : percent(one.sigma, 1)),
                h("td", { class: "number" }, one.cpk ? `${one.cpk[0].toFixed(2)} (${one.cpk[1].toFixed(2)} to ${one.cpk[2].toFixed(2)})` : "–"),
                h("td", { class: "number" }, rate(one.missing)),
                h("td", { class: "number" }, rate(one.bridged)),
                h("td", { class: "number" }, one.not_seen),
              ),
            ),
          ),
        ),
      ),
      told.charts ? h("img", { class: "plot", src: `/inspect/capability.svg?${Date.now()}`, alt: "Control charts over the boards." }) : null,
      h("ul", { class: "rows" }, told.advice.map((/** @type {string} */ words) => h("li", {}, words))),
    );
  }

  witness() {
    const diameters = h("textarea", { rows: "2", class: "text", placeholder: "0.31 0.32 - ? 0.44", "aria-label": "Diameters in mm, in the order of laying" });
    const refilled = h("input", {
      type: "checkbox",
      onchange: () => trying(() => post("/inspect/row/refilled", { refilled: refilled.checked })),
    });
    const check = () =>
      trying(async () => {
        const { task } = await post("/inspect/row/check", { diameters: diameters.value, refilled: refilled.checked });
        await finished(task);
      });
    const photo = photoChooser("Take or choose a photo of it", "/inspect/row", async (drop) => {
      const { task } = await post("/inspect/row/read", { drop });
      await finished(task);
    });
    return [
      h("p", {}, "A dozen dots on a card say go, correct or stop, without a whole sheet. During a batch the Run screen asks for them."),
      button("Make a row", () =>
        trying(async () => {
          await post("/inspect/row");
          say("The row is in the folder; Run can send it.");
        }),
      ),
      h("label", { class: "check" }, refilled, h("span", {}, "Paste was filled in since")),
      h("p", { class: "aside" }, "The row from straight above, even light; a phone that is let in sends one, too."),
      photo,
      h("label", { class: "field" }, h("span", {}, "Or its diameters in mm, in the order of laying; – where none lies, ? where it cannot be told"), diameters),
      button("Judge it", check),
      this.row,
    ];
  }

  async showRow() {
    const told = await get("/inspect/row/view");
    const correct = () =>
      trying(async () => {
        const { task } = await post("/inspect/row/correct");
        await finished(task);
      });
    fill(
      this.row,
      h("ul", { class: "rows" }, told.said.map((/** @type {string} */ line) => h("li", {}, line))),
      told.offered ? button("Correct the bench by it, and plan the board anew", correct, { class: "main" }) : null,
    );
  }

  async showNotes() {
    const { defects, notes } = await get("/inspect/notes");
    const part = h("input", { type: "text", placeholder: "U3 or U3-4" });
    const board = h("input", { type: "text", list: "board-names" });
    const words = h("input", { type: "text" });
    const defect = h("select", {}, defects.map((/** @type {string} */ name) => h("option", { value: name }, name)));
    const lines = h("div", {});
    const rules = (/** @type {boolean} */ write) =>
      trying(async () => {
        const told = await post("/inspect/rules", { write });
        const signs = told.lines.some((/** @type {string} */ line) => /^[-+]/.test(line));
        fill(
          lines,
          h("pre", { class: "lines", tabindex: "0" }, told.lines.join("\n")),
          signs && !write ? button("Write these lines into job.toml", () => rules(true), { class: "main" }) : null,
        );
      });
    fill(
      this.notes,
      h("ul", { class: "rows" }, notes.map((/** @type {any} */ each) => h("li", {}, `${each.dated} ${each.board}: ${each.part}${each.pin ? `-${each.pin}` : ""} ${each.defect}${each.words ? ` – ${each.words}` : ""}`))),
      h(
        "form",
        {
          onsubmit: (/** @type {Event} */ event) => {
            event.preventDefault();
            trying(async () => {
              await post("/inspect/note", { part: part.value.trim(), defect: defect.value, board: board.value.trim(), words: words.value });
              await this.showNotes();
            });
          },
        },
        field("Part, or one pin of it", part),
        h("label", { class: "field" }, h("span", {}, "What is wrong with the joint"), defect),
        field("Board (empty: the last one laid)", board),
        field("Words", words),
        h("button", { class: "main" }, "Keep the note"),
      ),
      notes.length ? button("Show the dose rules that the notes ask for", () => rules(false)) : null,
      lines,
    );
  }
}

if (!customElements.get("learned-part")) customElements.define("learned-part", LearnedPart);
