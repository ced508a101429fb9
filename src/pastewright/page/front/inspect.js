/**
 * Inspect: photos of a pasted board in, what is wrong with it out, beside the plan; wiping, a touch-up, and what boards
 * teach together.
 * @module
 */
import { Refused, finished, get, on, oneAtATime, post, viewed, whenDone } from "./server.js";
import { button, choice, counted, fill, h, oneStop } from "./parts.js";
import { photoChooser } from "./drop.js";
import { say, trying } from "./messages.js";
import { BoardView } from "./view/board-view.js";
import { areaLayer, depositLayer } from "./view/layers.js";
import { LearnedPart } from "./learned.js";

/**
 * @typedef {{pad: string, ref: string, pin: string, at: [number, number], d: number, verdict: string, why: string, wipe: boolean,
 *   planned: number, volume: number | null, sd: number | null, outline: number[], crop: boolean, drawn: boolean}} Seen
 * @typedef {{board: string, side: string, serial: string, at: string, size: [number, number], lands: number[][][],
 *   counts: [string, number][], photos: {file: string, px_per_mm: number, pads: number}[], deposits: Seen[],
 *   wipe: {part: string, pins: string[]}[], warnings: string[]}} Inspected
 * @typedef {{plans: {id: string, name: string}[], plan: string, board: string, seen: boolean, wiped: string[]}} Chosen
 */

/** Every verdict with its colour, the sign that tells it without, and how bad it is: the worst come first. */
const LOOKS = /** @type {const} */ ({
  bridged: { colour: "unsure", sign: "=", mark: "=", words: "bridged" },
  missing: { colour: "keep", sign: "x", mark: "✕", words: "missing" },
  off: { colour: "doubt", sign: "o", mark: "○", words: "off its place" },
  high: { colour: "more", sign: "+", mark: "+", words: "too much" },
  low: { colour: "less", sign: "-", mark: "−", words: "too little" },
  "not seen": { colour: "wait", sign: "", mark: "?", words: "not seen" },
  good: { colour: "right", sign: "", mark: "✓", words: "good" },
});
const ORDER = Object.keys(LOOKS);
const MOST_SHOWN = 60; // findings with pictures at once; more are a click away
const MARGIN_UM = 1500;

export default class InspectScreen extends HTMLElement {
  view = new BoardView();
  panel = h("div", { class: "panel" });
  found = h("section", { class: "card" });
  wiping = h("section", { class: "card", hidden: true });
  touching = h("section", { class: "card", hidden: true });
  learned = new LearnedPart();
  /** @type {Chosen | null} */
  chosen = null;
  /** @type {Inspected | null} */
  inspected = null;
  /** @type {any} */
  touched = null;
  /** @type {string[]} */
  boards = [];
  /** @type {number | null} */
  picked = null;
  shown = "";
  most = MOST_SHOWN;
  seen = "";
  barrel = "";
  moved = false;
  placed = false;
  /** @type {string[]} */
  barrels = [];

  connectedCallback() {
    this.view.setAttribute("words", "The board with what was seen on it. Arrows move it, plus and minus zoom, 0 shows all.");
    this.view.hidden = true;
    this.append(this.view, this.panel);
    this.view.addEventListener("pick", (event) => this.pick(/** @type {CustomEvent} */ (event).detail));
    this.view.overlays = [(ink, { pixel }, colours) => this.ring(ink, pixel, colours)];
    this.showPanel();
    this.offs = [
      on("inspect", (chosen) => {
        this.chosen = chosen;
        const now = `${chosen.plan}/${chosen.board}/${chosen.seen}`;
        if (now !== this.seen) {
          this.seen = now;
          trying(() => this.look());
        } else this.showWiping();
        this.showPanel();
      }),
      // A photo that a phone sent, or that another window chose, is looked at without this window having asked.
      whenDone("inspect", () => trying(() => this.look())),
      on("desk", (desk) => {
        this.placed = desk.placement;
        this.moved &&= desk.placement;
        this.showTouching();
        trying(() => this.lookForBoards());
      }),
    ];
    trying(async () => {
      this.barrels = (await get("/machine/choices")).barrels;
      this.barrel = this.barrels[0] || "";
      this.showTouching();
    });
  }

  disconnectedCallback() {
    for (const off of this.offs || []) off();
    this.replaceChildren();
    this.seen = "";
  }

  async lookForBoards() {
    try {
      this.boards = await get("/inspect/boards");
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      this.boards = [];
    }
    this.names.replaceChildren(...this.boards.map((name) => h("option", { value: name })));
  }

  /** Shows what was seen as it stands now. */
  look = oneAtATime(() => this.lookOnce());

  async lookOnce() {
    this.inspected = this.touched = this.picked = null;
    this.most = MOST_SHOWN;
    if (this.chosen?.seen) this.inspected = await viewed("/inspect/look", "/inspect/view");
    this.showFound();
    this.showWiping();
    this.showTouching();
    this.draw();
  }

  names = h("datalist", { id: "board-names" });
  drawn = "";

  showPanel() {
    const chosen = this.chosen;
    const now = JSON.stringify([chosen?.plans, chosen?.plan, chosen?.board]);
    if (now === this.drawn && this.panel.childElementCount) return;
    this.drawn = now;
    const board = h("input", {
      type: "text",
      list: "board-names",
      value: chosen?.board || "",
      maxlength: "60",
      onchange: () => trying(() => post("/inspect/choose", { board: board.value.trim() })),
    });
    const choose = photoChooser("Take or choose photos", "/inspect", async (drop) => {
      const { task } = await post("/inspect/read", { drop });
      await finished(task);
    }, ",.csv");
    const bare = photoChooser("Photos of the bare board", "/inspect/bare", async (drop) => {
      const { task } = await post("/inspect/bare/read", { drop });
      if (await finished(task)) say("Kept: this board and the next ones are compared with it.");
    });
    const ready = Boolean(chosen?.plans.length);
    fill(
      this.panel,
      h("h1", {}, "Inspect"),
      h(
        "section",
        { class: "card" },
        h("h2", {}, "1 Photograph"),
        ready
          ? [
              choice("Plan that laid it", chosen?.plans || [], chosen?.plan || "", (plan) =>
                trying(() => post("/inspect/choose", { plan, board: board.value.trim() })),
              ),
              h("label", { class: "field" }, h("span", {}, "Which board: its serial or number, if it has one"), board, this.names),
              h("p", { class: "aside" }, "The pasted board from straight above, 20 to 40 pixels for a millimetre, even light, nothing of it in shadow. Several photos may overlap. A phone that is let in sends one, too."),
              choose,
              h(
                "details",
                {},
                h("summary", {}, "Before pasting, and by the head's camera"),
                h("p", { class: "aside" }, "A photo of the board before it is pasted tells paste from bright metal. It is kept beside the plan."),
                bare,
                h("p", { class: "aside" }, "Frames of a camera on the head: choose them above together with their list, a CSV with the lines file,x_mm,y_mm: where the camera looked, in machine coordinates."),
              ),
            ]
          : h("p", {}, "Nothing is planned yet: ", h("a", { href: "#plan" }, "plan a side under Plan"), "."),
      ),
      this.found,
      this.wiping,
      this.touching,
      this.learned,
    );
    this.learned.hidden = !ready;
  }

  showFound() {
    const seen = this.inspected;
    this.found.hidden = !seen;
    this.className = seen ? "split" : "";
    this.view.hidden = !seen;
    if (!seen) return;
    const counts = new Map(seen.counts);
    const wrong = seen.deposits
      .map((each, number) => ({ each, number }))
      .filter(({ each }) => each.verdict !== "good" && (!this.shown || each.verdict === this.shown))
      .sort((a, b) => ORDER.indexOf(a.each.verdict) - ORDER.indexOf(b.each.verdict));
    const pictured = this.shown ? wrong : wrong.filter(({ each }) => each.verdict !== "not seen");
    const switches = ORDER.filter((name) => counts.get(/** @type {any} */ (name))).map((name) => {
      const look = LOOKS[/** @type {keyof typeof LOOKS} */ (name)];
      const words = `${look.mark} ${counts.get(name)} ${look.words}`;
      if (name === "good") return h("span", { class: "good" }, words);
      return button(words, () => {
        this.shown = this.shown === name ? "" : name;
        this.showFound();
      }, { "aria-pressed": this.shown === name ? "true" : "false" });
    });
    fill(
      this.found,
      h("h2", {}, "2 What was seen"),
      h("p", {}, `${seen.board}, ${seen.side}${seen.serial ? `, ${seen.serial}` : ""}; ${counted(seen.photos.length, "photo")}: `, seen.photos.map((each) => `${each.file} (${each.px_per_mm.toFixed(0)} px/mm, ${counted(each.pads, "pad")})`).join(", ")),
      h("div", { class: "row", role: "group", "aria-label": "Verdicts" }, switches),
      seen.warnings.length ? h("ul", { class: "rows" }, seen.warnings.map((words) => h("li", { class: "look" }, `△ ${words}`))) : null,
      counts.get("not seen") ? h("p", { class: "aside" }, "What is not seen is not good: take one more photo, with the others, that shows it whole.") : null,
      h("ul", { class: "findings" }, pictured.slice(0, this.most).map(({ each, number }) => this.finding(each, number))),
      pictured.length > this.most
        ? button(`Show the other ${pictured.length - this.most}`, () => {
            this.most = Infinity;
            this.showFound();
          })
        : null,
    );
    oneStop(/** @type {HTMLElement} */ (this.found.querySelector(".findings")), "button.name");
  }

  /**
   * @param {Seen} each
   * @param {number} number
   */
  finding(each, number) {
    const look = LOOKS[/** @type {keyof typeof LOOKS} */ (each.verdict)];
    const volume = each.volume === null || !each.planned ? "" : ` ${((100 * each.volume) / each.planned).toFixed(0)} % of ${each.planned.toFixed(4)} µL.`;
    return h(
      "li",
      { class: this.picked === number ? "chosen" : null, id: `finding-${number}` },
      button(`${look.mark} ${each.pad}: ${look.words}`, () => this.choose(number), { class: "name" }),
      h("p", {}, `${each.why ? `${each.why}.` : ""}${volume}`),
      h(
        "div",
        { class: "crops" },
        each.crop ? h("img", { src: `/inspect/crop/${number}.jpg?${this.inspected?.at}`, alt: `${each.pad} as photographed`, loading: "lazy", width: 150, height: 150 }) : null,
        each.drawn ? h("img", { src: `/inspect/crop/${number}.svg?${this.inspected?.at}`, alt: `${each.pad} as planned; what was seen is dashed`, loading: "lazy", width: 150, height: 150 }) : null,
      ),
    );
  }

  showWiping() {
    const seen = this.inspected;
    this.wiping.hidden = !seen?.wipe.length;
    if (!seen || !this.chosen) return;
    const wiped = new Set(this.chosen.wiped);
    fill(
      this.wiping,
      h("h2", {}, "3 Wipe"),
      h("p", { class: "aside" }, "Solder paste is harmful: gloves, and a cloth that is thrown away. Tick what is wiped; the ticks last as long as the server."),
      seen.wipe.map(({ part, pins }) => {
        const box = h("input", {
          type: "checkbox",
          checked: wiped.has(part),
          onchange: () => trying(() => post("/inspect/wiped", { part, wiped: box.checked })),
        });
        return h("label", { class: "check" }, box, h("span", {}, h("strong", {}, part), ` ${pins.join("; ")}`));
      }),
    );
    this.showTouching();
  }

  showTouching() {
    const seen = this.inspected;
    const lacking = seen ? seen.deposits.filter((each) => ["missing", "low"].includes(each.verdict)).length : 0;
    this.touching.hidden = !seen || !(lacking || seen.wipe.length);
    if (!seen || !this.chosen) return;
    const open = seen.wipe.length - this.chosen.wiped.length;
    const touched = this.touched;
    fill(
      this.touching,
      h("h2", {}, "4 Touch up"),
      h("p", {}, "A program that lays only what is missing, clear of the paste that stands."),
      open > 0 ? h("p", { class: "look" }, `△ ${counted(open, "part")} not ticked as wiped: what must be wiped first is left out.`) : null,
      choice("Barrel in the machine", [{ id: "", name: "not named: as full as the bench says" }, ...this.barrels.map((name) => ({ id: name, name }))], this.barrel, (id) => (this.barrel = id)),
      this.whereItLies(),
      button(
        "Plan a touch-up",
        () =>
          trying(async () => {
            const { task } = await post("/inspect/touch-up", { barrel: this.barrel, moved: this.moved });
            if (!(await finished(task))) return;
            this.touched = await get("/inspect/touch-up/view");
            this.showTouching();
            if (this.touched.ok) say("The touch-up is verified; Run can send it.");
          }),
        { class: touched?.ok ? "" : "main" },
      ),
      touched
        ? [
            h("ul", { class: "rows" }, touched.said.map((/** @type {string} */ line) => h("li", {}, line))),
            touched.ok ? h("p", {}, h("a", { class: "button", href: "#run" }, "Send it, under Run")) : null,
          ]
        : null,
    );
  }

  whereItLies() {
    if (!this.placed) {
      return h("p", { class: "aside" }, "The board is taken to lie where it was laid. If it was moved, find it under Machine first.");
    }
    const moved = h("input", { type: "checkbox", checked: this.moved, onchange: () => (this.moved = moved.checked) });
    return h("label", { class: "check" }, moved, "It was moved since it was laid: it lies where placement.json says");
  }

  // -- the picture --------------------------------------------------------------------------------------

  draw() {
    const seen = this.inspected;
    if (!seen) return;
    const [wide, high] = seen.size.map((mm) => 1000 * mm);
    const at = seen.deposits;
    const columns = {
      x: at.map((each) => each.at[0]),
      y: at.map((each) => each.at[1]),
      w: at.map((each) => Math.max(each.d, 300)),
      cls: at.map((each) => ORDER.indexOf(each.verdict)),
      lines: new Map(),
    };
    const outlines = at.filter((each) => each.outline.length > 4).map((each) => [each.outline]);
    this.view.show(
      [
        areaLayer("outline", "Board", [[[0, 0, wide, 0, wide, high, 0, high]]], { fill: "board", stroke: "edge" }),
        areaLayer("lands", "Lands", seen.lands, { fill: "land" }),
        depositLayer(columns, ORDER.map((name) => LOOKS[/** @type {keyof typeof LOOKS} */ (name)])),
        areaLayer("seen", "Seen", outlines, { stroke: "pick", width: 1.5 }),
      ],
      [-MARGIN_UM, -MARGIN_UM, wide + MARGIN_UM, high + MARGIN_UM],
    );
  }

  /**
   * @param {CanvasRenderingContext2D} ink @param {number} pixel @param {Record<string, string>} colours
   */
  ring(ink, pixel, colours) {
    const each = this.picked === null ? null : this.inspected?.deposits[this.picked];
    if (!each) return;
    ink.strokeStyle = colours.pick;
    ink.lineWidth = 2.5 * pixel;
    const r = Math.max(each.d, 400) / 2 + 6 * pixel;
    ink.strokeRect(each.at[0] - r, each.at[1] - r, 2 * r, 2 * r);
  }

  /** @param {{x: number, y: number, within: number}} place */
  pick(place) {
    const at = this.inspected?.deposits || [];
    let [best, least] = [-1, 300 + place.within];
    at.forEach((each, number) => {
      const away = Math.hypot(each.at[0] - place.x, each.at[1] - place.y);
      if (away < least) [best, least] = [number, away];
    });
    if (best < 0) return;
    this.picked = best;
    this.view.draw();
    const each = at[best];
    const row = document.getElementById(`finding-${best}`);
    for (const old of this.found.querySelectorAll("li.chosen")) old.classList.remove("chosen");
    if (row) {
      row.classList.add("chosen");
      row.scrollIntoView({ block: "nearest" });
    } else say(`${each.pad}: ${LOOKS[/** @type {keyof typeof LOOKS} */ (each.verdict)].words}${each.volume === null ? "" : `, ${((100 * each.volume) / (each.planned || 1)).toFixed(0)} % of ${each.planned.toFixed(4)} µL`}.`);
  }

  /** @param {number} number */
  choose(number) {
    this.picked = number;
    const each = this.inspected?.deposits[number];
    if (!each) return;
    const near = Math.max(each.d, 400) * 3;
    this.view.lookAt([each.at[0] - near, each.at[1] - near, each.at[0] + near, each.at[1] + near]);
    for (const old of this.found.querySelectorAll("li.chosen")) old.classList.remove("chosen");
    const row = document.getElementById(`finding-${number}`);
    row?.classList.add("chosen");
    row?.scrollIntoView({ block: "nearest" });
  }
}
