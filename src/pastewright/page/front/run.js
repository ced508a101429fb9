/**
 * Run: a program or a batch is begun, watched as it is laid, paused; what is in doubt is decided by a click.
 * @module
 */
import { get, on, post } from "./server.js";
import { button, choice, counted, fill, h } from "./parts.js";
import { trying } from "./messages.js";
import { AskingPanel, field } from "./asking.js";

/** @typedef {{phase: string, why: string, done: number, doubt: number[], now: string, picture: number, name: string,
 *   batch?: {place: number, side: string, serial: string, state: string, note: string}[]}} RunState */
/** @typedef {{number: number, size_mm: [number, number], deposits: number[][], names: string[]}} Picture */

const MOST_HIGH = 0.62; // of the window that the picture takes, so that it is seen whole beside the buttons (own choice)
const LEAST_MM = 0.25; // half the width of the smallest sign that a finger or an eye finds (own choice)

export default class RunScreen extends HTMLElement {
  canvas = h("canvas", { class: "run-picture", role: "img", tabindex: "0" });
  // What stands while a run goes on is made once: it is told many times a second, and a button that is made anew between
  // a finger's coming and going is never pressed.
  named = h("h2", {}, "Nothing runs");
  phase = h("span", { "aria-live": "polite" });
  count = h("span", {});
  bar = h("progress", { "aria-label": "laid", hidden: true });
  pauses = button("Pause before the next", () => this.wish("pause"), { hidden: true });
  holds = button("Hold at once", () => this.wish("hold"), { hidden: true });
  goes = button("Go on", () => this.wish("go on"), { class: "main", hidden: true });
  begin = h("section", { class: "card" });
  boards = h("section", { class: "card" });
  doubts = h("section", { class: "card", hidden: true });
  /** @type {Picture | null} */
  picture = null;
  /** @type {RunState | null} */
  run = null;
  program = "";
  second = "";
  boardCount = h("input", { type: "number", min: 1, max: 10000, value: "3" });
  serials = h("input", { type: "text", value: "GH-{:03d}" });
  witness = h("input", { type: "checkbox", checked: true });
  barrel = "";
  /** @type {string[]} */
  barrels = [];
  /** @type {any} */
  desk = null;
  seen = "";
  /** @type {any} */
  machine = null;
  wished = "";

  connectedCallback() {
    fill(
      this,
      h("h1", {}, "Run"),
      h(
        "p",
        { class: "look" },
        "△ Caution: the gantry moves by itself. Hands out of it, and know where the machine's own stop is.",
      ),
      new AskingPanel(),
      h("div", { class: "cards" }, h("section", { class: "card broad" }, this.named, h("p", {}, this.phase, this.count), this.bar, h("div", { class: "row" }, this.pauses, this.holds, this.goes), this.canvas), this.doubts, this.begin, this.boards),
      h("p", { class: "aside" }, "Closing this window ends nothing: the run goes on, and a window opened again shows it. Ending the server in its terminal stops a run: the tip is lifted first."),
    );
    this.offs = [
      on("desk", (desk) => this.showDesk(desk)),
      on("run", (run) => trying(() => this.showRun(run))),
      on("machine", (machine) => {
        const before = this.machine;
        this.machine = machine;
        if (this.run && before?.holds !== machine.holds) trying(() => this.showRun(/** @type {RunState} */ (this.run)));
        if (!before || before.busy !== machine.busy || before.connected !== machine.connected) {
          this.showBegin();
          trying(() => this.lookForDoubts());
        }
      }),
    ];
    this.redraw = () => this.draw();
    document.addEventListener("scheme", this.redraw);
    trying(async () => {
      this.barrels = (await get("/machine/choices")).barrels;
      this.barrel = this.barrel || this.barrels[0] || "";
      this.showBegin();
    });
    this.key = this.key.bind(this);
    document.addEventListener("keydown", this.key);
  }

  disconnectedCallback() {
    for (const off of this.offs || []) off();
    document.removeEventListener("keydown", this.key);
    document.removeEventListener("scheme", /** @type {any} */ (this.redraw));
  }

  /** @param {any} desk */
  showDesk(desk) {
    this.desk = desk;
    const { programs } = desk;
    if (!programs.some((/** @type {any} */ each) => each.id === this.program)) this.program = programs.length ? programs[0].id : "";
    this.showBegin();
  }

  showBegin() {
    if (!this.desk || !this.machine) return;
    const { programs } = this.desk;
    const chosen = programs.find((/** @type {any} */ each) => each.id === this.program);
    const kind = chosen ? chosen.kind : "";
    const off = { disabled: !this.machine.connected || !!this.machine.busy || !chosen };
    const send = (/** @type {object} */ more = {}) => trying(() => post("/run/begin", { program: this.program, barrel: this.barrel, ...more }));
    fill(
      this.begin,
      h("h2", {}, "Begin"),
      this.machine.connected ? null : h("p", { class: "look" }, "△ No machine is connected: ", h("a", { href: "#machine" }, "connect it"), "."),
      programs.length
        ? choice("What to send", programs.map((/** @type {any} */ each) => ({ id: each.id, name: `${each.name}: ${each.kind}` })), this.program, (id) => {
            this.program = id;
            this.showBegin();
          })
        : h("p", {}, "Nothing that can be sent is here yet: ", h("a", { href: "#plan" }, "plan a board"), "."),
      choice("Barrel", [{ id: "", name: "not named" }, ...this.barrels.map((name) => ({ id: name, name }))], this.barrel, (id) => (this.barrel = id)),
      h(
        "div",
        { class: "row" },
        kind === "probing" ? null : button("Run in the air", () => send({ dry: true }), off),
        button(SEND[kind] || "Run it", () => send(), { class: "main", ...off }),
      ),
      kind === "board" ? this.batch(off) : null,
    );
  }

  /** @param {{disabled: boolean}} off */
  batch(off) {
    const { boardCount: boards, serials, witness } = this;
    const begin = () =>
      trying(() =>
        post("/run/batch", {
          program: this.program,
          second: this.second,
          barrel: this.barrel,
          boards: Number(boards.value),
          serials: serials.value,
          witness: witness.checked,
        }),
      );
    const others = this.desk.programs.filter((/** @type {any} */ each) => each.kind === "board" && each.id !== this.program);
    if (!others.some((/** @type {any} */ each) => each.id === this.second)) this.second = "";
    return [
      h("h3", {}, "Batch"),
      others.length
        ? choice("Other side, laid once all first sides are", [{ id: "", name: "none" }, ...others.map((/** @type {any} */ each) => ({ id: each.id, name: each.name }))], this.second, (id) => (this.second = id))
        : null,
      field("Boards", boards),
      field("Serials", serials),
      h("label", { class: "check" }, witness, h("span", {}, "A row of witness dots on the card before each board")),
      h(
        "div",
        { class: "row" },
        button("Begin the batch", begin, off),
        button("Go on with the last batch", () => trying(() => post("/run/batch", { barrel: this.barrel })), {
          disabled: !this.machine?.connected || !!this.machine.busy,
        }),
      ),
    ];
  }

  /** @param {RunState} run */
  async showRun(run) {
    this.run = run;
    if (run.picture && (!this.picture || this.picture.number !== run.picture)) {
      const picture = await get("/run/picture");
      if (this.run !== run) return; // more was told meanwhile: an answer that came late must not bring back what was
      this.picture = picture;
    }
    const total = this.picture ? this.picture.deposits.length : 0;
    const going = ["preparing", "laying", "ending", "connecting"].includes(run.phase);
    const waits = ["paused", "held"].includes(run.phase);
    this.named.textContent = run.name || "Nothing runs";
    const words = going && this.wished ? `● ${this.wished}` : run.phase ? `${SIGNS[run.phase] || "●"} ${run.phase}${run.why ? `: ${run.why}` : ""}` : "Begin a run or a batch.";
    this.phase.className = run.phase === "finished" ? "good" : going || !run.phase ? "" : "look";
    if (this.phase.textContent !== words) this.phase.textContent = words; // told anew it would be read aloud anew
    fill(
      this.count,
      run.phase ? ` – ${run.done} of ${counted(total, "deposit")}` : "",
      run.doubt.length ? h("span", { class: "bad" }, `, ${run.doubt.length} in doubt`) : null,
      run.now ? ` – ${run.now}` : "",
    );
    this.bar.hidden = !run.phase;
    this.bar.max = Math.max(total, 1);
    this.bar.value = run.done;
    const had = [this.pauses, this.holds, this.goes].some((each) => each === document.activeElement);
    if (!going) this.wished = "";
    this.pauses.hidden = !going;
    this.holds.hidden = !going || !this.machine?.holds; // a printer's controller has no byte that holds it
    this.goes.hidden = !waits;
    if (had && waits) this.goes.focus();
    else if (had && going) this.holds.focus();
    this.canvas.setAttribute("aria-label", `${run.name}: ${run.done} of ${total} deposits laid, ${run.doubt.length} in doubt`);
    this.draw();
    this.showBoards(run);
  }

  /** @param {string} word */
  wish(word) {
    return trying(async () => {
      await post("/run/wish", { wish: word });
      this.wished = word === "pause" ? "pausing before the next deposit" : "";
      if (this.run) await this.showRun(this.run);
    });
  }

  /** @param {RunState} run */
  showBoards(run) {
    const rows = run.batch || [];
    this.boards.hidden = !rows.length;
    fill(
      this.boards,
      h("h2", {}, "Boards of the batch"),
      h(
        "ul",
        { class: "rows" },
        rows.map((row) =>
          h(
            "li",
            {},
            h("span", { class: row.state === "laid" ? "good" : row.state === "in doubt" || row.state === "bad" ? "bad" : "" }, `${STATES[row.state] || "·"} ${row.state}`),
            ` ${row.place}: ${row.serial}, ${row.side}${row.note ? ` – ${row.note}` : ""}`,
          ),
        ),
      ),
    );
  }

  draw() {
    const { canvas, picture, run } = this;
    if (!picture || !run) return;
    const style = getComputedStyle(document.documentElement);
    const ink = (/** @type {string} */ name) => style.getPropertyValue(name).trim();
    const [width, height] = picture.size_mm;
    const room = Math.max(canvas.clientWidth, 200);
    const scale = Math.min(room / (width + 2), Math.max(MOST_HIGH * innerHeight, 240) / (height + 2));
    const left = (room - (width + 2) * scale) / 2;
    const dots = devicePixelRatio || 1;
    canvas.width = room * dots;
    canvas.height = (height + 2) * scale * dots;
    const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
    pen.scale(dots, dots);
    pen.fillStyle = ink("--sunk");
    pen.fillRect(0, 0, room, (height + 2) * scale);
    pen.strokeStyle = ink("--soft");
    pen.strokeRect(left + scale, scale, width * scale, height * scale);
    const doubt = new Set(run.doubt);
    pen.lineCap = pen.lineJoin = "round";
    picture.deposits.forEach(([r, ...points], at) => {
      const across = (/** @type {number} */ x) => left + (x + 1) * scale;
      const down = (/** @type {number} */ y) => (height - y + 1) * scale;
      const [px, py] = [across(points[0]), down(points[1])];
      const size = Math.max(r, LEAST_MM) * scale;
      pen.beginPath();
      if (doubt.has(at)) {
        pen.strokeStyle = ink("--red");
        pen.lineWidth = 2;
        pen.moveTo(px - size, py - size);
        pen.lineTo(px + size, py + size);
        pen.moveTo(px + size, py - size);
        pen.lineTo(px - size, py + size);
        pen.stroke();
        return;
      }
      if (points.length > 2) {
        for (let n = 0; n < points.length; n += 2) pen[n ? "lineTo" : "moveTo"](across(points[n]), down(points[n + 1]));
        pen.strokeStyle = ink(at < run.done ? "--green" : "--soft");
        pen.lineWidth = 2 * size;
        pen.stroke();
        if (at < run.done) return;
        pen.strokeStyle = ink("--sunk"); // only its edge is left of what is to come
        pen.lineWidth = Math.max(2 * size - 2, 1);
        pen.stroke();
        return;
      }
      pen.arc(px, py, size, 0, 2 * Math.PI);
      pen.lineWidth = 1;
      if (at < run.done) {
        pen.fillStyle = ink("--green");
        pen.fill();
      } else {
        pen.strokeStyle = ink("--soft");
        pen.stroke();
      }
    });
  }

  looked = 0;

  async lookForDoubts() {
    const asked = ++this.looked;
    const { runs } = await get("/records/look");
    if (asked !== this.looked) return;
    const last = runs.find((/** @type {any} */ each) => !each.on && each.counts["to be checked"]);
    const open = runs.find(
      (/** @type {any} */ each) => !each.on && each.phase !== "finished" && each.counts["not started"],
    );
    this.doubts.hidden = !last && !open;
    if (last) await this.showDoubts(last, asked);
    else if (open)
      fill(
        this.doubts,
        h("h2", {}, `Run ${open.id} was not finished`),
        h("p", {}, `${open.board}: ${open.why || open.phase}; ${counted(open.counts["not started"], "deposit")} not started.`),
        this.goOn(open.id),
      );
  }

  /** @param {number} run */
  goOn(run) {
    return button("Go on with it", () => trying(() => post("/run/resume", { run, barrel: this.barrel })), {
      class: "main",
      disabled: !this.machine?.connected || !!this.machine.busy,
    });
  }

  /**
   * @param {any} row
   * @param {number} asked
   */
  async showDoubts(row, asked) {
    const found = await get(`/run/doubts/${row.id}`);
    if (asked !== this.looked) return;
    const open = found.deposits.filter((/** @type {any} */ each) => each.state === "to be checked");
    const decide = (/** @type {number} */ deposit, /** @type {boolean} */ there) =>
      trying(async () => {
        await post("/run/decide", { run: row.id, deposit, there });
        await this.lookForDoubts();
      });
    fill(
      this.doubts,
      h("h2", {}, `In doubt on run ${row.id}`),
      h("p", {}, `Look at the board (${row.board}): nobody knows how far these came.`),
      h(
        "ul",
        { class: "rows" },
        open.map((/** @type {any} */ each) =>
          h(
            "li",
            {},
            h("strong", { class: "bad" }, "✕ "),
            `${each.pad} at X ${each.at_mm[0].toFixed(2)} Y ${each.at_mm[1].toFixed(2)} mm: ${each.why} `,
            h(
              "div",
              { class: "row" },
              button("It is there", () => decide(each.id, true)),
              button("Lay it", () => decide(each.id, false)),
            ),
          ),
        ),
      ),
      open.length ? null : this.goOn(row.id),
    );
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    const ask = this.machine?.ask;
    if (!ask || ask.kind !== "key" || event.repeat || event.ctrlKey || event.metaKey || event.altKey) return;
    const target = /** @type {HTMLElement} */ (event.target);
    if (/^(INPUT|SELECT|TEXTAREA|BUTTON)$/.test(target.tagName) && event.key === "Enter") return;
    const name = event.key === "Enter" ? "enter" : event.key;
    if (!ask.keys.some((/** @type {any} */ each) => each.key === name) || /^(INPUT|SELECT|TEXTAREA)$/.test(target.tagName)) return;
    event.preventDefault();
    trying(() => post("/machine/answer", { id: ask.id, value: name }));
  }
}

/** What the button says, by what is sent. */
/** @type {Record<string, string>} */
const SEND = { board: "Run one board", "touch-up": "Lay the touch-up", "tuning sheet": "Lay the sheet", "shape trial": "Lay the trial", probing: "Probe" };
/** @type {Record<string, string>} */
const SIGNS = { finished: "✓", stopped: "■", lost: "✕", paused: "❙❙", held: "❙❙" };
/** @type {Record<string, string>} */
const STATES = { laid: "✓", bad: "✕", "in doubt": "?", skipped: "–", unfinished: "◐", waiting: "○", "at work": "●" };
