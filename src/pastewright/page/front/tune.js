/**
 * Tune: a sheet designed and laid, its photo measured, a wrong dot left out, the verdict read and accepted.
 * @module
 */
import { Refused, finished, get, on, oneAtATime, post, viewed, whenDone } from "./server.js";
import { button, choice, counted, fill, h } from "./parts.js";
import { photoChooser } from "./drop.js";
import { problemList, say, trying } from "./messages.js";
import { BoardView } from "./view/board-view.js";
import { depositLayer } from "./view/layers.js";
import { words } from "./plan/picture.js";

/**
 * @typedef {{index: number, x: number, y: number, dose: number, role: string, state: string, why: string, d: number | null}} Dot
 * @typedef {{name: string, dots: Dot[], weigh: {dots: number, dose: number} | null, pictures: number, read: boolean, warnings: import("./server.js").ProblemRow[]}} SheetData
 */

const AWAY_UM = 1500; // a dot that is let go nearer to its place than that falls back (own choice)
const AWAY_PX = 12; // and a finger trembles by some pixels
const SHAPE = 0.75; // of a dot's width over the cube root of its volume, for the picture only, until one is measured

export default class TuneScreen extends HTMLElement {
  view = new BoardView();
  panel = h("div", { class: "panel" });
  about = h("div", { "aria-live": "polite" });
  outcome = h("div", { "aria-live": "polite" });
  // What is typed outlives whatever is shown anew.
  known = {
    block_mg: h("input", { type: "number", min: 1, max: 1e6, step: "any" }),
    stiffness_n_mm: h("input", { type: "number", min: 1, max: 1e6, step: "any" }),
    temperature_c: h("input", { type: "number", min: -20, max: 80, step: "any" }),
    lot: h("input", { maxlength: "60" }),
  };
  /** @type {Set<string>} Other sheets that are fitted together with this one. */
  others = new Set();
  forPlan = ""; // the board that the next sheet is for
  /** @type {SheetData | null} */
  sheet = null;
  /** @type {any} */
  desk = null;
  seen = "";

  connectedCallback() {
    this.className = "split";
    this.view.setAttribute("words", "Picture of the sheet. Arrows move it, plus and minus zoom, 0 shows all.");
    this.append(this.view, this.panel);
    this.view.addEventListener("pick", (event) => this.pick(/** @type {CustomEvent} */ (event).detail));
    this.view.addEventListener("grab", (event) => this.grab(/** @type {CustomEvent} */ (event)));
    this.view.addEventListener("carry", (event) => this.carry(/** @type {CustomEvent} */ (event).detail));
    this.view.addEventListener("let-go", (event) => this.letGo(/** @type {CustomEvent} */ (event).detail));
    // A photo that a phone sent is measured without this window having asked.
    this.offTasks = whenDone("photos", () => {
      if (this.sheet) trying(() => this.look());
    });
    this.off = on("desk", (desk) => {
      this.desk = desk;
      const now = JSON.stringify([desk.bench, desk.sheet, desk.sheets, desk.plans.map((/** @type {any} */ each) => each.id)]);
      if (this.seen !== now || !this.panel.childElementCount) {
        this.seen = now;
        trying(() => this.look());
      }
    });
  }

  disconnectedCallback() {
    if (this.off) this.off();
    if (this.offTasks) this.offTasks();
  }

  /** Shows the sheet as it stands now. */
  look = oneAtATime(() => this.lookOnce());

  async lookOnce() {
    try {
      const sheet = await viewed("/tune/look", "/tune/view");
      if (!sheet) return; // given up: what was shown stays
      this.sheet = sheet;
      this.fit = await get("/tune/fit/view");
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      this.sheet = this.fit = null;
    }
    this.show();
  }

  /** Shows what was measured just now, and goes to it: it stands below everything else. */
  async lookAtMeasured() {
    await this.look();
    this.panel.querySelector("#measured")?.scrollIntoView({ block: "start" });
  }

  show() {
    this.shown = null;
    const { sheet, desk } = this;
    const name = h("input", { value: sheet?.name || "first", maxlength: "60" });
    const design = () =>
      trying(async () => {
        const { task } = await post("/tune/design", { name: name.value, plan: this.forPlan });
        if (await finished(task)) await this.look();
      });
    fill(
      this.panel,
      h("h1", {}, sheet ? `Sheet ${sheet.name}` : "Tune"),
      desk.bench ? null : h("p", { class: "look" }, "△ There is no bench yet: ", h("a", { href: "#bench" }, "make one under Bench"), "."),
      desk.sheets.length > 1 ? choice("Sheet in work", desk.sheets, desk.sheet, (id) => trying(() => post("/tune/choose", { sheet: id }))) : null,
      h(
        "section",
        { class: "card" },
        h("h2", {}, "1 Design"),
        h("p", {}, sheet ? "A further sheet has a folder of its own: this one stays." : "A sheet of dots that tells most about this bench; it takes a little while."),
        h("label", { class: "field" }, h("span", {}, "Name"), name),
        this.forWhat(),
        button(sheet ? "Design another" : "Design a sheet", design, { class: sheet ? "" : "main", disabled: !desk.bench }),
      ),
      sheet ? this.lay(sheet) : null,
      sheet ? this.photos() : null,
      sheet?.read ? this.measured(sheet) : null,
    );
    this.view.hidden = !sheet;
    this.className = sheet ? "split" : "";
    if (sheet) this.draw(sheet);
  }

  /** What the next sheet is for: any board, or one that is planned. */
  forWhat() {
    const plans = this.desk.plans.filter((/** @type {any} */ each) => each.ok && !each.dry);
    if (!plans.some((/** @type {any} */ each) => each.id === this.forPlan)) this.forPlan = "";
    if (!plans.length) return null;
    return choice("Tells most for", [{ id: "", name: "any board" }, ...plans], this.forPlan, (id) => (this.forPlan = id));
  }

  /** @param {SheetData} sheet */
  lay(sheet) {
    const { weigh } = sheet;
    return h(
      "section",
      { class: "card" },
      h("h2", {}, "2 Lay"),
      h("p", {}, "On a white card, in the corner where boards lie."),
      weigh ? h("p", {}, `Dots alone hardly tell how much a turn pushes. If you have a scale of 0.01 g: weigh a bare card, lay “${sheet.name}, block to weigh” on it (${weigh.dots} dots of ${weigh.dose.toPrecision(3)} µL), weigh again, and give what it gained below.`) : null,
      h("p", {}, h("a", { class: "button", href: "#run" }, "Send it, under Run")),
    );
  }

  photos() {
    const choose = photoChooser("Take or choose photos", "/tune", async (drop) => {
      const { task } = await post("/tune/read", { drop });
      if (await finished(task)) await this.lookAtMeasured();
    });
    return h("section", { class: "card" }, h("h2", {}, "3 Photograph"), h("p", {}, "From straight above, the whole sheet, even light; two or three photos are better than one."), choose);
  }

  /** @param {SheetData} sheet */
  measured(sheet) {
    const good = sheet.dots.filter((dot) => dot.state === "measured").length;
    fill(this.about, h("p", { class: "aside" }, "Drag a wrong dot away and it is left out. Click one to read what was measured."));
    const fit = () =>
      trying(async () => {
        const { task } = await post("/tune/fit", this.given());
        if (!(await finished(task))) return;
        this.fit = await get("/tune/fit/view");
        this.showFit();
      });
    this.showFit();
    return h(
      "section",
      { class: "card", id: "measured" },
      h("h2", {}, "4 Measured"),
      h("p", {}, `${good} of ${counted(sheet.dots.length, "dot")} measured.`),
      sheet.warnings.length ? problemList(sheet.warnings) : null,
      Array.from({ length: sheet.pictures }, (_, n) => this.overlay(n + 1)),
      this.byNumber(sheet),
      this.about,
      this.together(),
      this.beside(),
      h("p", {}, button("Fit the constants", fit, { class: "main" })),
      this.outcome,
    );
  }

  /** @param {number} number */
  overlay(number) {
    const words = `Photo ${number} with what was measured`;
    const picture = `/tune/overlay/${number}.png?${Date.now()}`;
    return h("p", {}, h("a", { href: picture, target: "_blank" }, h("img", { class: "plot", src: picture, alt: words, loading: "lazy" }), words));
  }

  /** @param {SheetData} sheet */
  byNumber(sheet) {
    const number = h("input", {
      type: "number",
      min: 0,
      max: sheet.dots.length,
      onchange: () => {
        const dot = sheet.dots.find((each) => each.index === Number(number.value));
        if (dot) this.showDot(dot);
      },
    });
    return h("label", { class: "field" }, h("span", {}, "Find a dot by its number"), number);
  }

  /** What a fit is asked for with. */
  given() {
    const number = (/** @type {HTMLInputElement} */ input) => (input.value === "" ? null : Number(input.value));
    const { block_mg, stiffness_n_mm, temperature_c, lot } = this.known;
    const others = this.desk.sheets.map((/** @type {any} */ each) => each.id).filter((/** @type {string} */ id) => this.others.has(id) && id !== this.desk.sheet);
    return { others, block_mg: number(block_mg), stiffness_n_mm: number(stiffness_n_mm), temperature_c: number(temperature_c), lot: lot.value.trim() };
  }

  /** The other sheets that were read: two tell more than one. */
  together() {
    const read = this.desk.sheets.filter((/** @type {any} */ each) => each.read && each.id !== this.desk.sheet);
    if (!read.length) return null;
    const tick = (/** @type {any} */ each) => {
      const box = h("input", { type: "checkbox", checked: this.others.has(each.id), onchange: () => this.others[box.checked ? "add" : "delete"](each.id) });
      return h("label", { class: "check" }, box, each.name);
    };
    return h("fieldset", {}, h("legend", {}, "Fit together with"), read.map(tick));
  }

  /** What may be known beside the photo. */
  beside() {
    const { block_mg, stiffness_n_mm, temperature_c, lot } = this.known;
    const typed = [block_mg, stiffness_n_mm, temperature_c, lot].some((each) => each.value);
    const field = (/** @type {string} */ words, /** @type {HTMLElement} */ input) => h("label", { class: "field" }, h("span", {}, words), input);
    return h(
      "details",
      { open: typed },
      h("summary", {}, "What else is known"),
      field("Mass of the block, weighed [mg]", block_mg),
      field("Stiffness as measured, of frame, screw and mount [N/mm] (--stiffness)", stiffness_n_mm),
      field("Lot of the paste", lot),
      field("Temperature of the paste [°C]", temperature_c),
    );
  }

  /** @type {any} The fit that waits to be accepted. */
  fit = null;

  showFit() {
    const fit = this.fit;
    if (!fit) return fill(this.outcome);
    const accept = () =>
      trying(async () => {
        await post("/tune/accept");
        this.fit = null;
        say("The bench has learned it: a further trial stands in its history.");
        fill(this.outcome, h("p", { class: "good" }, "✓ Accepted into the bench."));
      });
    fill(
      this.outcome,
      h("h3", {}, "Verdict"),
      h("p", { class: "aside" }, `Of ${counted(fit.measured, "dot")} on ${fit.sheets.join(" and ")}.`),
      fit.verdicts.map((/** @type {any} */ each) => h("p", { class: each.grave ? "look" : "" }, `${each.grave ? "△" : "✓"} ${each.words}`)),
      h("p", {}, `Two thirds of the dots are within ${(100 * fit.spread).toFixed(1)} % of the model.`),
      h("p", {}, button("Accept into the bench", accept, { class: "main" })),
      h("details", {}, h("summary", {}, "The constants, and each dot"), constants(fit), h("img", { class: "plot", src: `/tune/residuals.svg?${Date.now()}`, alt: "How far each dot is from the model.", loading: "lazy" })),
    );
  }

  /** @param {SheetData} sheet */
  draw(sheet) {
    const um = (/** @type {number} */ mm) => Math.round(1000 * mm);
    const x = sheet.dots.map((dot) => um(dot.x));
    const y = sheet.dots.map((dot) => um(dot.y));
    const w = sheet.dots.map((dot) => um(dot.d || 2 * SHAPE * Math.cbrt(dot.dose)));
    const cls = sheet.dots.map((dot) => (!sheet.read ? 0 : dot.state === "measured" ? 1 : 2));
    const layer = depositLayer({ x, y, w, cls, lines: new Map() }, [
      { colour: "edge", sign: "" },
      { colour: "less", sign: "" },
      { colour: "more", sign: "o" },
    ]);
    const room = 4000;
    this.view.overlays = [(ink, { pixel }, colours) => this.drawCarried(ink, pixel, colours)];
    this.view.show([layer], [Math.min(...x) - room, Math.min(...y) - room, Math.max(...x) + room, Math.max(...y) + room]);
  }

  /**
   * Returns the dot at a place, of those near to it the nearest.
   * @param {{x: number, y: number, within: number}} place
   */
  dotAt(place) {
    /** @type {Dot | null} */
    let best = null;
    let least = 800 + place.within;
    for (const dot of this.sheet?.dots || []) {
      const away = Math.hypot(1000 * dot.x - place.x, 1000 * dot.y - place.y);
      if (away < least) [best, least] = [dot, away];
    }
    return best;
  }

  // -- a wrong dot is dragged away --------------------------------------------------------------------

  /** @type {{dot: Dot, x: number, y: number, away: boolean} | null} */
  carried = null;
  /** @type {Dot | null} */
  shown = null;

  /** @param {CustomEvent} event */
  grab(event) {
    const dot = this.sheet?.read ? this.dotAt({ ...event.detail, within: 0 }) : null;
    if (dot?.state !== "measured") return;
    event.preventDefault();
    this.carried = { dot, x: event.detail.x, y: event.detail.y, away: false };
  }

  /** @param {{x: number, y: number, px: number}} place */
  carry({ x, y, px }) {
    if (!this.carried) return;
    Object.assign(this.carried, { x, y, away: px > AWAY_PX && Math.hypot(x - 1000 * this.carried.dot.x, y - 1000 * this.carried.dot.y) > AWAY_UM });
    this.view.draw();
  }

  /** @param {object | null} place */
  letGo(place) {
    const carried = this.carried;
    this.carried = null;
    this.view.draw();
    if (place && carried?.away) this.without(carried.dot);
  }

  /** @param {CanvasRenderingContext2D} ink @param {number} pixel @param {Record<string, string>} colours */
  drawCarried(ink, pixel, colours) {
    if (this.shown) {
      const r = 600 * (this.shown.d || 1) + 4 * pixel;
      ink.strokeStyle = colours.pick;
      ink.lineWidth = 2.5 * pixel;
      ink.strokeRect(1000 * this.shown.x - r, 1000 * this.shown.y - r, 2 * r, 2 * r);
    }
    if (!this.carried) return;
    const { dot, x, y, away } = this.carried;
    const r = 500 * (dot.d || 1);
    ink.strokeStyle = ink.fillStyle = colours[away ? "keep" : "pick"];
    ink.lineWidth = 2.5 * pixel;
    ink.beginPath();
    ink.moveTo(1000 * dot.x, 1000 * dot.y);
    ink.lineTo(x, y);
    ink.stroke();
    ink.beginPath();
    ink.arc(x, y, r, 0, 2 * Math.PI);
    ink.fill();
    if (away) words(ink, "left out when let go", x, y + r, pixel, colours);
  }

  /** @param {Dot} dot */
  without(dot) {
    return trying(async () => {
      await post("/tune/without", { index: dot.index, sheet: this.desk.sheet });
      await this.look();
      say(`Dot ${dot.index} is left out. Reading the photos again takes it in again.`);
    });
  }

  /** @param {{x: number, y: number, within: number}} place */
  pick(place) {
    const dot = this.sheet?.read ? this.dotAt(place) : null;
    if (dot) this.showDot(dot);
  }

  /** @param {Dot} dot */
  showDot(dot) {
    this.shown = dot;
    this.view.draw();
    fill(
      this.about,
      h("h3", {}, `Dot ${dot.index}, ${dot.role}`),
      h("p", {}, `${dot.dose.toFixed(4)} µL; ${dot.d ? `${dot.d.toFixed(3)} mm wide` : dot.state}${dot.why ? `: ${dot.why}` : ""}`),
      dot.state === "measured" ? button("Leave it out", () => this.without(dot)) : null,
    );
  }
}

/** @param {any} fit */
function constants(fit) {
  // A value that is next to nothing beside what it may be off by is nothing: its digits would only say how it was computed.
  const told = (/** @type {any} */ each) => (Math.abs(each.value) < 1e-3 * (each.high - each.low) ? "0" : each.value.toPrecision(3));
  const digits = (/** @type {number} */ value) => value.toPrecision(3);
  const row = (/** @type {any} */ each) => h("tr", {}, h("td", {}, each.words), h("td", {}, `${told(each)} ${each.unit}`), h("td", {}, each.held ? "held" : `${digits(each.low)} to ${digits(each.high)}`));
  return h(
    "div",
    { class: "wide", tabindex: "0", role: "group", "aria-label": "Constants" },
    h("table", {}, h("thead", {}, h("tr", {}, ["Constant", "Value", "95 % interval"].map((words) => h("th", { scope: "col" }, words)))), h("tbody", {}, fit.constants.map(row))),
  );
}
