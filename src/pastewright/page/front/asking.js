/**
 * The machine as every screen may show it: the question that is open, what was said, and what went wrong.
 * @module
 */
import { finished, on, post } from "./server.js";
import { button, fill, h } from "./parts.js";
import { photoChooser } from "./drop.js";
import { problemList, trying } from "./messages.js";

/**
 * @typedef {{id: number, kind: string, words: string, safety?: boolean, unit?: string, low?: number, high?: number,
 *   default?: number | null, words_of?: string[], keys?: {key: string, words: string}[],
 *   checks?: {name: string, words: string}[], axes?: string, touching?: boolean}} Question
 * @typedef {{port: string, connected: boolean, controller: string, place: Record<string, number> | null,
 *   plunger: number, known: boolean, homes: boolean, busy: string, ask: Question | null, notes: string[],
 *   problems: import("./server.js").ProblemRow[], sizes: number[], reach: Record<string, [number, number]> | null}} Machine
 */

/** The open question, with a way to answer each kind; and below it what was said. */
export class AskingPanel extends HTMLElement {
  asked = -1;
  question = h("section", { class: "card ask", hidden: true, tabindex: "-1", "aria-live": "assertive" });
  said = h("ul", { class: "rows notes", "aria-live": "polite" });
  wrong = h("div", {});

  connectedCallback() {
    this.append(this.question, this.wrong, this.said);
    this.off = on("machine", (machine) => this.show(machine));
  }

  disconnectedCallback() {
    if (this.off) this.off();
    this.replaceChildren();
    this.asked = -1;
  }

  /** @param {Machine} machine */
  show(machine) {
    fill(this.said, machine.notes.map((words) => h("li", {}, words)));
    this.said.scrollTop = this.said.scrollHeight; // what was said last is read first
    this.said.tabIndex = this.said.scrollHeight > this.said.clientHeight ? 0 : -1;
    fill(this.wrong, machine.problems.length ? problemList(machine.problems) : null);
    const ask = machine.ask;
    if ((ask ? ask.id : 0) === this.asked) return;
    this.asked = ask ? ask.id : 0;
    this.question.hidden = !ask;
    if (!ask) return;
    fill(this.question, h("p", { class: "question" }, ask.words), ...this.ways(ask));
    const first = this.question.querySelector("input, button");
    // A question of yes or no, or whether the tip is there, is not answered by a key that was meant for something else.
    if (!["steer", "confirm"].includes(ask.kind)) /** @type {HTMLElement | null} */ (first)?.focus();
    else if (ask.kind === "confirm") this.question.focus();
  }

  /**
   * @param {Question} ask
   * @returns {(Node | null)[]}
   */
  ways(ask) {
    const answer = (/** @type {any} */ value) => trying(() => post("/machine/answer", { id: ask.id, value }));
    const row = (/** @type {Node[]} */ ...parts) => h("div", { class: "row" }, ...parts);
    if (ask.kind === "confirm")
      return [row(button("Yes", () => answer(true), { class: "main" }), button("No", () => answer(false)))];
    if (ask.kind === "choice")
      return [row(...(ask.words_of || []).map((word) => button(word, () => answer(word))))];
    if (ask.kind === "steer")
      return [row(button("Here", () => answer("here"), { class: "main" }), button("Leave", () => answer("leave")))];
    if (ask.kind === "key")
      return [
        row(
          ...(ask.keys || []).map((each, at) =>
            button(each.words, () => answer(each.key), {
              class: at ? null : "main",
              "aria-keyshortcuts": each.key === "enter" ? "Enter" : each.key,
              title: each.key === "enter" ? "Enter" : each.key,
            }),
          ),
        ),
      ];
    if (ask.kind === "checks") return this.checks(ask, answer);
    const numbers = ask.kind === "number";
    const field = h("input", {
      type: numbers ? "number" : "text",
      step: "any",
      min: ask.low,
      max: ask.high,
      value: ask.default === null || ask.default === undefined ? "" : String(ask.default),
      "aria-label": ask.words,
    });
    const form = h(
      "form",
      {
        class: "row",
        onsubmit: (/** @type {Event} */ event) => {
          event.preventDefault();
          answer(numbers ? Number(field.value) : field.value);
        },
      },
      field,
      ask.unit ? h("span", {}, ask.unit) : null,
      h("button", { class: "main" }, "Answer"),
    );
    if (ask.kind !== "row") return [form];
    const photo = photoChooser("Take or choose a photo of it", "/run/row", async (drop) => {
      const { task } = await post("/run/row/read", { drop });
      await finished(task);
    });
    return [h("p", {}, photo), form];
  }

  /**
   * @param {Question} ask
   * @param {(value: any) => void} answer
   */
  checks(ask, answer) {
    const go = button("All of it is so: go on", () => answer(ticked()), { class: "main", disabled: true });
    const boxes = (ask.checks || []).map((check) =>
      h("input", { type: "checkbox", value: check.name, onchange: () => (go.disabled = !boxes.every((box) => box.checked)) }),
    );
    const ticked = () => boxes.filter((box) => box.checked).map((box) => box.value);
    return [
      h(
        "div",
        {},
        (ask.checks || []).map((check, at) => h("label", { class: "check" }, boxes[at], h("span", {}, check.words))),
      ),
      h("div", { class: "row" }, go, button("Leave it", () => answer([]))),
    ];
  }
}

if (!customElements.get("asking-panel")) customElements.define("asking-panel", AskingPanel);

/**
 * Returns a form's fields as an element: a label over an input.
 * @param {string} words
 * @param {HTMLInputElement} input
 */
export function field(words, input) {
  return h("label", { class: "field" }, h("span", {}, words), input);
}
