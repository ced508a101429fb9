/**
 * Plan: how much each pad gets and why, changed by wishes, compared, and played back.
 * @module
 */
import { Refused, finished, get, on, oneAtATime, post, viewed } from "./server.js";
import { button, choice, counted, duration, fill, h } from "./parts.js";
import { problemList, say, trying } from "./messages.js";
import { BoardView } from "./view/board-view.js";
import { boardLayers, nameLayer, padAt, padBox, pickOverlay } from "./view/scene.js";
import { layerSwitches } from "./view/beside.js";
import { SCALES, besideOverlay, otherLayers, otherNames, pasteLayer, planBox } from "./plan/picture.js";
import { PadTable } from "./plan/table.js";
import { padCard } from "./plan/pad-card.js";
import { whatIf } from "./plan/what-if.js";
import { Player } from "./plan/play.js";

/** @typedef {import("./plan/picture.js").PlanData} PlanData */
/** @typedef {import("./view/scene.js").BoardData} BoardData */

const HIDDEN = new Set(["copper", "mask", "legend", "bed"]); // drawn when asked for: paste is what is looked at here

/**
 * The plan that stood before the last planning; it outlives a look at another screen.
 * @type {PlanData | null}
 */
let earlier = null;

export default class PlanScreen extends HTMLElement {
  view = new BoardView();
  head = h("div", {});
  card = h("div", { "aria-live": "polite" });
  rest = h("div", {});
  tail = h("div", {});
  table = new PadTable((n) => this.choose(n, true), (shown) => this.mark(shown));
  player = new Player(this.view, () => (this.plan && this.deposits ? { plan: this.plan, deposits: this.deposits } : null));
  /** @type {PlanData | null} */
  plan = null;
  /**
   * The plan that stands, while another one is looked at.
   * @type {PlanData | null}
   */
  standing = null;
  /**
   * What the plan is compared with, null where that was one of another board or side.
   * @type {PlanData | null}
   */
  earlier = null;
  /** @type {BoardData | null} */
  board = null;
  /** @type {import("./view/layers.js").Deposits | null} */
  deposits = null;
  /** @type {keyof typeof SCALES} */
  scale = "dose";
  /** @type {import("./view/scene.js").PadView[]} */
  ringed = [];
  /** @type {any} */
  desk = null;
  seen = "";
  out = new Set(HIDDEN);
  /** @type {import("./view/layers.js").Layer[]} */
  layers = [];

  connectedCallback() {
    this.className = "split";
    const left = h("div", { class: "left" }, this.view, this.player.element);
    this.append(left, h("div", { class: "panel" }, this.head, this.card, this.table.element, this.rest, this.tail));
    this.table.element.hidden = true;
    this.view.addEventListener("pick", (event) => this.pick(/** @type {CustomEvent} */ (event).detail));
    this.off = on("desk", (desk) => {
      this.desk = desk;
      const now = JSON.stringify([desk.source, desk.side, desk.bench, desk.roles, desk.placed, desk.plans.map((/** @type {any} */ each) => [each.id, each.stamp])]);
      if (now !== this.seen) {
        this.seen = now;
        trying(() => this.look());
      }
    });
  }

  disconnectedCallback() {
    if (this.off) this.off();
    this.player.close();
  }

  /** Shows the plan as it stands now. */
  look = oneAtATime(() => this.lookOnce());

  async lookOnce() {
    const board = await this.readBoard();
    let plan = null;
    let missing = null;
    try {
      plan = /** @type {PlanData | null} */ (await viewed("/plan/look", "/plan/view"));
      if (!plan) return; // given up: what was shown stays
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      missing = error.problems;
    }
    this.board = board;
    this.standing = null;
    this.show(plan, missing || []);
  }

  /** @returns {Promise<BoardData | null>} */
  async readBoard() {
    if (!this.desk.source) return null;
    try {
      return await viewed("/board/read", "/board/view");
    } catch (error) {
      if (error instanceof Refused) return null;
      throw error;
    }
  }

  /**
   * @param {PlanData | null} plan
   * @param {import("./server.js").ProblemRow[]} [missing]
   */
  show(plan, missing = []) {
    const chosen = this.plan?.pads[this.table.chosen];
    this.plan = plan;
    // What a person looks at stays, with what was typed there, where it is as it was: news come at any time.
    const still = plan && chosen ? plan.pads.findIndex((pad) => pad.id === chosen.id) : -1;
    this.table.chosen = still;
    if (this.view.parentElement) this.view.parentElement.hidden = !plan && !this.board;
    this.earlier = earlier?.board.name === plan?.board.name && earlier?.board.side === plan?.board.side ? earlier : null;
    this.table.element.hidden = !plan;
    this.player.element.hidden = !plan || Boolean(this.standing);
    if (plan) {
      this.draw();
      const changed = new Set(plan.pads.map((_, n) => n).filter((n) => this.isChanged(n)));
      this.table.take(plan.pads, changed);
    } else if (this.board) {
      this.view.overlays = [];
      this.view.show(boardLayers(this.board), [-2e3, -2e3, 1e3 * this.board.size[0] + 2e3, 1e3 * this.board.size[1] + 2e3]);
    }
    this.showHead(missing);
    this.showRest();
    if (!plan || still < 0) fill(this.card);
    else if (JSON.stringify(plan.pads[still]) !== JSON.stringify(chosen)) this.choose(still, false);
  }

  draw() {
    const { plan, board } = this;
    if (!plan) return;
    const same = board && board.name === plan.board.name && board.side === plan.board.side ? board : null;
    const paste = pasteLayer(plan, this.scale);
    this.deposits = paste.deposits;
    const names = same ? nameLayer(same) : null;
    if (names) names.layer.shown = !this.out.has("names");
    const layers = [...(same ? boardLayers(same) : []), ...otherLayers(plan), paste.layer];
    for (const layer of layers) layer.shown = !this.out.has(layer.name);
    this.view.overlays = [besideOverlay(plan), otherNames(plan), ...(names ? [names.over] : []), pickOverlay(() => this.ringed), this.player.overlay];
    /** @type {import("./view/layers.js").Layer} */
    const bed = { name: "bed", words: "Card and park place", shown: !this.out.has("bed"), box: null, draw: () => undefined };
    this.view.show(layers, planBox(plan, bed.shown));
    this.layers = [...layers, ...(names ? [names.layer] : []), bed];
  }

  /** @param {import("./view/layers.js").Layer} layer */
  switched(layer) {
    this.out[layer.shown ? "delete" : "add"](layer.name);
    if (layer.name !== "bed" || !this.plan) return;
    this.view.show(this.view.layers, planBox(this.plan, layer.shown));
    this.view.fit();
  }

  /** @param {number} n */
  isChanged(n) {
    const pad = this.plan?.pads[n];
    const old = pad && this.earlier?.pads.find((each) => each.id === pad.id);
    return Boolean(pad && this.earlier && (!old || old.planned !== pad.planned || old.form !== pad.form));
  }

  /** @param {import("./server.js").ProblemRow[]} missing */
  showHead(missing) {
    const { plan, desk } = this;
    const side = choice("Side", [{ id: "top", name: "top" }, { id: "bottom", name: "bottom" }], desk.side, (id) => trying(() => post("/start/choose", { side: id })));
    const lacks = [desk.source ? null : ["There are no fabrication files yet: ", "#board", "drop them under Board"], desk.bench ? null : ["There is no bench yet: ", "#bench", "make one under Bench"]];
    const placed = h("input", { type: "checkbox", checked: desk.placed, onchange: () => trying(() => post("/plan/placed", { placed: placed.checked })) });
    fill(
      this.head,
      h("h1", {}, plan ? plan.board.name : "Plan"),
      h("div", { class: "row" }, side, button(plan ? "Plan anew" : "Plan", () => trying(() => this.planAnew()), { class: !plan || plan.stale.length ? "main" : "", disabled: Boolean(this.standing) || lacks.some(Boolean) })),
      lacks.map((lack) => lack && h("p", { class: "look" }, `△ ${lack[0]}`, h("a", { href: lack[1] }, lack[2]), ".")),
      desk.placement ? h("label", { class: "check" }, placed, "Where placement.json says, not in the bed's corner") : null,
      this.standing ? h("p", { class: "look" }, "△ What if: this plan is looked at only; nothing of it is written.") : null,
      plan && !this.standing ? plan.stale.map((words) => h("p", { class: "look" }, `△ ${words}: plan anew.`)) : null,
      missing.length && !lacks.some(Boolean) ? problemList(missing.map((each) => ({ ...each, severity: "note" }))) : null,
      plan ? summary(plan, this.standing ? null : this.earlier) : null,
    );
  }

  showRest() {
    const { plan } = this;
    const open = this.rest.querySelector("details[open] > summary")?.textContent || "";
    fill(
      this.rest,
      plan ? this.colours() : null,
      plan ? layerSwitches(this.layers, this.view, (layer) => this.switched(layer)) : null,
      plan && plan.warnings.length ? h("details", {}, h("summary", {}, counted(plan.warnings.length, "remark")), h("ul", { class: "rows" }, plan.warnings.map((words) => h("li", { class: "look" }, `△ ${words}`)))) : null,
    );
    for (const details of this.rest.querySelectorAll("details")) if (details.querySelector("summary")?.textContent === open) details.open = true;
    if (!this.tail.childElementCount && plan)
      this.tail.append(whatIf(() => this.standing || this.plan, (other) => this.lookAtOther(other)));
  }

  /** @param {PlanData | null} other */
  lookAtOther(other) {
    if (other) {
      if (!this.standing) this.standing = this.plan;
      this.player.close();
      this.show(other);
    } else if (this.standing) {
      const plan = this.standing;
      this.standing = null;
      this.show(plan);
    }
  }

  colours() {
    const names = /** @type {(keyof typeof SCALES)[]} */ (Object.keys(SCALES));
    return h(
      "div",
      {},
      choice("Colours", names.map((id) => ({ id, name: SCALES[id].words })), this.scale, (id) => {
        this.scale = /** @type {keyof typeof SCALES} */ (id);
        this.draw();
        this.showRest();
      }),
      h("ul", { class: "key" }, SCALES[this.scale].looks.map((look) => h("li", {}, h("span", { class: `swatch ${look.colour}`, "aria-hidden": "true" }, look.sign === "o" ? "○" : look.sign === "-" ? "−" : look.sign), look.words))),
    );
  }

  async planAnew() {
    const old = this.plan;
    const { task } = await post("/plan/plan");
    if (!(await finished(task))) return;
    earlier = old;
    await this.look();
    const { said } = await post("/plan/look");
    if (said) say(said);
  }

  /** @param {{x: number, y: number, within: number}} place */
  pick(place) {
    const { plan, board, deposits } = this;
    if (!plan) return;
    if (board) {
      const n = padAt(board.pads, place);
      if (n >= 0) return this.choose(plan.pads.findIndex((pad) => pad.land === board.pads[n].id), false);
    }
    if (!deposits) return;
    const near = deposits.x.findIndex((x, n) => Math.hypot(x - place.x, deposits.y[n] - place.y) < deposits.w[n] / 2 + place.within);
    this.choose(near < 0 ? -1 : plan.deposits.pad[near], false);
  }

  /** @param {number} n @param {boolean} move */
  choose(n, move) {
    const { plan, board } = this;
    const pad = plan?.pads[n];
    this.table.choose(pad ? n : -1);
    fill(this.card, pad ? padCard(pad, this.earlier?.pads.find((each) => each.id === pad.id), () => trying(() => this.planAnew())) : null);
    const land = pad && board?.pads.find((each) => each.id === pad.land);
    this.ringed = land ? [land] : [];
    if (move && pad) this.view.lookAt(land ? padBox(land) : [pad.at[0] - 500, pad.at[1] - 500, pad.at[0] + 500, pad.at[1] + 500]);
    this.view.draw();
  }

  /** @param {number[]} shown */
  mark(shown) {
    const { plan, board } = this;
    if (!plan || !board) return;
    const ids = new Set(shown.length && shown.length < 400 ? shown.map((n) => plan.pads[n].land) : []);
    const chosen = plan.pads[this.table.chosen]?.land;
    this.ringed = board.pads.filter((pad) => ids.has(pad.id) || pad.id === chosen);
    this.view.draw();
  }
}

/** @param {PlanData} plan @param {PlanData | null} before */
function summary(plan, before) {
  const { totals, verdict } = plan;
  const was = (/** @type {string} */ now, /** @type {string} */ then) => (before && now !== then ? `${now} (before: ${then})` : now);
  const rows = [
    ["deposits", was(`${totals.deposits} on ${counted(totals.pads, "pad")}`, `${before?.totals.deposits} on ${before?.totals.pads}`)],
    ["paste", was(`${totals.paste_ul.toFixed(2)} µL`, `${before?.totals.paste_ul.toFixed(2)} µL`)],
    ["time", was(duration(totals.machine_s), before ? duration(before.totals.machine_s) : "")],
    ["bench", `${plan.profile.name}; ${plan.profile.paste}; tip ${plan.profile.tip_bore_mm} mm`],
  ];
  return [
    verdict.ok
      ? h("p", { class: "good" }, "✓ The program was read back and is verified.")
      : h("div", {}, h("p", { class: "bad" }, `✕ ${counted(verdict.findings.length, "finding")}; the program is not written.`), h("ul", { class: "rows" }, verdict.findings.slice(0, 20).map((each) => h("li", {}, `${each.line ? `line ${each.line}: ` : ""}${each.kind}: ${each.what}`)))),
    plan.boards > 1 ? h("p", { class: "aside" }, `A tray of ${plan.boards} boards; copper and legend are drawn on the first one.`) : null,
    h("dl", {}, rows.flatMap(([name, words]) => [h("dt", {}, name), h("dd", {}, words)])),
  ];
}
