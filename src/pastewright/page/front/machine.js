/**
 * Machine: connect, home, jog by buttons and keys, places, touch off, a barrel in and out.
 * @module
 */
import { get, on, post } from "./server.js";
import { button, choice, fill, h } from "./parts.js";
import { trying } from "./messages.js";
import { AskingPanel } from "./asking.js";
import { CameraEye } from "./eye.js";

/** @typedef {import("./asking.js").Machine} Machine */

const BEAT_MS = 15; // a held key is said again so often; the server lets go 35 ms after the last word
const HELD_AFTER_MS = 250; // a press that lasts longer is a held one (own choice)
/** @type {Record<string, [string, number]>} */
const KEYS = {
  ArrowRight: ["X", 1],
  ArrowLeft: ["X", -1],
  ArrowUp: ["Y", 1],
  ArrowDown: ["Y", -1],
  PageUp: ["Z", 1],
  PageDown: ["Z", -1],
  f: ["P", 1],
  b: ["P", -1],
};

export default class MachineScreen extends HTMLElement {
  size = 0.1;
  /** @type {{axis: string, sign: number, begun: number} | null} */
  down = null;
  beats = 0;
  timer = 0;
  words = 0;
  /** @type {Machine | null} */
  machine = null;
  barrel = "";
  plan = "";
  port = "";
  place = h("div", { class: "dro", "aria-live": "off" });
  pad = h("section", { class: "card" });
  link = h("section", { class: "card" });
  acts = h("section", { class: "card" });
  jogs = h("div", { class: "jogs", tabindex: "0", role: "group", "aria-label": "By keys: arrows, PgUp and PgDn for Z, f and b for the plunger" });
  board = h("section", { class: "card" });
  eye = new CameraEye();
  // What is typed outlives whatever is told anew.
  goal = h("input", { type: "text", value: "park", "aria-label": "Place" });
  waste = h("input", { type: "number", value: "10", min: 0, step: "any", "aria-label": "Waste in µL" });
  columns = h("input", { type: "number", min: 2, max: 20, value: "3", "aria-label": "Columns" });
  rows = h("input", { type: "number", min: 2, max: 20, value: "3", "aria-label": "Rows" });
  other = h("input", { type: "text", placeholder: "/dev/ttyUSB0 or socket://192.168.1.20:23" });

  connectedCallback() {
    fill(
      this,
      h("h1", {}, "Machine"),
      h(
        "p",
        { class: "look" },
        "△ Caution: tip, plunger and gantry move with force. Keep hands out of the gantry, fingers off the plunger, and know where the machine's own stop is. Solder paste is harmful: gloves, and no food near it.",
      ),
      new AskingPanel(),
      h("div", { class: "cards" }, this.link, this.pad, this.eye.element, this.acts, this.board),
    );
    const offs = [
      on("machine", (machine) => this.show(machine)),
      on("desk", (desk) => {
        this.source = desk.source;
        const plans = desk.plans.filter((/** @type {any} */ each) => !each.dry);
        if (!plans.some((/** @type {any} */ each) => each.id === this.plan)) this.plan = plans[0]?.id ?? "";
        const anew = JSON.stringify(plans) !== JSON.stringify(this.plans);
        this.plans = plans;
        if (!this.machine) return;
        this.showBoard(this.machine);
        if (anew) this.showActs(this.machine);
      }),
    ];
    this.off = () => offs.forEach((off) => off());
    trying(async () => {
      const found = await get("/machine/choices");
      this.ports = found.ports;
      this.barrels = found.barrels;
      if (this.machine) this.show(this.machine, true);
    });
    this.lost = () => this.up();
    this.key = this.key.bind(this);
    document.addEventListener("keydown", this.key);
    document.addEventListener("keyup", this.lost);
    addEventListener("blur", this.lost);
    document.addEventListener("visibilitychange", this.lost);
    addEventListener("pointerup", this.lost);
    addEventListener("pointercancel", this.lost);
  }

  disconnectedCallback() {
    if (this.off) this.off();
    this.up();
    this.eye.close();
    document.removeEventListener("keydown", this.key);
    document.removeEventListener("keyup", /** @type {any} */ (this.lost));
    removeEventListener("blur", /** @type {any} */ (this.lost));
    document.removeEventListener("visibilitychange", /** @type {any} */ (this.lost));
    removeEventListener("pointerup", /** @type {any} */ (this.lost));
    removeEventListener("pointercancel", /** @type {any} */ (this.lost));
  }

  /** @type {{id: string, name: string}[]} */
  ports = [];
  /** @type {string[]} */
  barrels = [];
  /** @type {{id: string, name: string}[]} */
  plans = [];
  seen = "";
  source = "";
  asked = 0;

  /**
   * @param {Machine} machine
   * @param {boolean} [anew]
   */
  show(machine, anew = false) {
    this.machine = machine;
    const at = machine.place;
    fill(
      this.place,
      ...["X", "Y", "Z"].map((axis) => h("span", {}, h("b", {}, axis), ` ${at ? at[axis].toFixed(2) : "–"}`)),
      h("span", {}, h("b", {}, "plunger"), ` ${machine.plunger.toFixed(2)}`),
    );
    const now = JSON.stringify([machine.connected, machine.busy, machine.known, machine.port, machine.ask?.id]);
    const asked = machine.ask?.kind === "steer" ? machine.ask.id : 0;
    if (now === this.seen && !anew) return;
    this.seen = now;
    this.showLink(machine);
    this.showPad(machine);
    this.showActs(machine);
    this.showBoard(machine);
    this.eye.show(machine.ask?.kind === "steer");
    if (asked && asked !== this.asked) this.jogs.focus();
    this.asked = asked;
  }

  /** @param {Machine} machine */
  showLink(machine) {
    const ask = (/** @type {string} */ what, more = {}) => trying(() => post("/machine/do", { what, ...more }));
    const busy = { disabled: !!machine.busy };
    if (!this.port && this.ports.length) this.port = this.ports[0].id;
    fill(
      this.link,
      h("h2", {}, "Connection"),
      machine.connected
        ? [
            h("p", {}, h("span", { class: "good" }, "● connected"), ` to ${machine.controller} at ${machine.port}`),
            h(
              "p",
              { class: machine.known ? "good" : "look" },
              machine.known ? "✓ Its place is known." : "△ Its place is not known: home it, or look and say that it is right.",
            ),
            h(
              "div",
              { class: "row" },
              button("Home", () => ask("home"), { class: machine.homes ? "main" : "", disabled: !!machine.busy || !machine.homes }),
              machine.known ? null : button("It stands where it says", () => ask("believe"), busy),
              button("Look again", () => ask("look"), busy),
              button("Disconnect", () => ask("disconnect"), { class: "quiet", ...busy }),
            ),
            machine.homes ? null : h("p", { class: "aside" }, "It does not home by itself: no homing is written in the bench (key run.home)."),
          ]
        : [
            choice("Port", this.ports, this.port, (id) => (this.port = id)),
            h("label", { class: "field" }, h("span", {}, "Or another, that is not in the list"), this.other),
            button("Connect", () => ask("connect", { port: this.other.value.trim() || this.port }), { class: "main", ...busy }),
            h("p", { class: "aside" }, "Opening a port starts many controllers anew. Nothing moves by it."),
          ],
      machine.busy ? h("p", { role: "status" }, `${machine.busy} …`) : null,
    );
  }

  /** @param {Machine} machine */
  showPad(machine) {
    const able = machine.connected && (!machine.busy || machine.ask?.kind === "steer");
    const axes = machine.ask?.kind === "steer" ? machine.ask.axes || "XYZ" : "XYZP";
    const key = (/** @type {string} */ words, /** @type {string} */ axis, /** @type {number} */ sign, /** @type {string} */ place) => {
      const one = button(words, () => undefined, {
        class: `jog ${place}`,
        disabled: !able || !axes.includes(axis),
        "aria-label": `${axis === "P" ? "plunger" : axis} ${sign > 0 ? "plus" : "minus"}`,
      });
      one.addEventListener("pointerdown", (event) => {
        event.preventDefault();
        one.focus();
        this.press(axis, sign);
      });
      one.addEventListener("keydown", (event) => {
        if ((event.key === "Enter" || event.key === " ") && !event.repeat) {
          event.preventDefault();
          this.step(axis, sign);
        }
      });
      return one;
    };
    fill(
      this.pad,
      h("h2", {}, "By hand"),
      this.place,
      h(
        "div",
        { class: "row steps", role: "group", "aria-label": "Step" },
        (machine.sizes || []).map((size) =>
          button(`${size} mm`, () => { this.size = size; this.seen = ""; this.show(machine, true); }, {
            "aria-pressed": size === this.size ? "true" : "false",
          }),
        ),
      ),
      this.keys(
        key("↑ Y", "Y", 1, "n"),
        key("← X", "X", -1, "w"),
        key("X →", "X", 1, "e"),
        key("↓ Y", "Y", -1, "s"),
        key("▲ Z", "Z", 1, "u"),
        key("▼ Z", "Z", -1, "d"),
        key("plunger ▼", "P", 1, "f"),
        key("plunger ▲", "P", -1, "b"),
      ),
      h(
        "p",
        { class: "aside" },
        "A press is one step. Held longer it moves until you let go. By keys, once this field was clicked or reached by Tab: arrows, PgUp and PgDn for Z, f and b for the plunger. Escape stops, wherever you are.",
      ),
    );
  }

  /**
   * The field of the jog keys, which stays the same: what has the focus there keeps it.
   * @param {...HTMLElement} keys
   */
  keys(...keys) {
    fill(this.jogs, keys);
    return this.jogs;
  }

  /** @param {Machine} machine */
  showActs(machine) {
    const off = { disabled: !machine.connected || !!machine.busy };
    const ask = (/** @type {string} */ what, more = {}) =>
      trying(() => post("/machine/do", { what, barrel: this.barrel, plan: this.plan, ...more }));
    const { goal: place, waste: ul } = this;
    fill(
      this.acts,
      h("h2", {}, "Work"),
      choice(
        "What lies there",
        [...this.plans.map(({ id, name }) => ({ id, name })), { id: "", name: "nothing, or nobody knows" }],
        this.plan,
        (id) => (this.plan = id),
      ),
      h("p", { class: "aside" }, "Of a plan's boards every way is high enough, goes round tall parts, and has its places by name: F1, LR, U1-3."),
      h(
        "div",
        { class: "row" },
        place,
        button("Go there", () => ask("to", { place: place.value }), off),
      ),
      h("p", { class: "aside" }, "park, strip, LL, or X,Y in mm; up first, then level."),
      h(
        "div",
        { class: "row" },
        button("Touch off by paper", () => ask("touch-off-paper"), off),
        button("Touch off by probe", () => ask("touch-off-probe"), off),
      ),
      h("h3", {}, "Paste"),
      choice(
        "Barrel in the machine",
        [{ id: "", name: "not named" }, ...this.barrels.map((name) => ({ id: name, name }))],
        this.barrel,
        (id) => (this.barrel = id),
      ),
      h(
        "div",
        { class: "row" },
        button("Load", () => ask("load"), off),
        button("Unload", () => ask("unload"), off),
        button("Relieve", () => ask("relieve"), off),
      ),
      h("div", { class: "row" }, ul, button("Purge", () => ask("purge", { ul: Number(ul.value) }), off)),
    );
  }

  /** @param {Machine} machine */
  showBoard(machine) {
    const off = { disabled: !machine.connected || !!machine.busy || !this.source };
    const ask = (/** @type {string} */ what, more = {}) => trying(() => post("/machine/do", { what, ...more }));
    const { columns, rows } = this;
    fill(
      this.board,
      h("h2", {}, "Where the board lies"),
      h("p", { class: "aside" }, "The machine goes near each fiducial by itself, and you bring the tip, or the camera's cross-hair, onto its middle: then Here, above. What was found goes into placement.json, and plans by it from then on."),
      this.source ? null : h("p", { class: "look" }, "△ No board's files are here yet: ", h("a", { href: "#board" }, "drop them"), "."),
      h(
        "div",
        { class: "row" },
        button("Find its fiducials with the tip", () => ask("marks-tip"), off),
        button("… with the camera", () => ask("marks-camera"), off),
      ),
      h("h3", {}, "Its height"),
      h("div", { class: "row" }, columns, "×", rows, button("Feel its height", () => ask("probe", { columns: Number(columns.value), rows: Number(rows.value) }), off)),
      h("p", { class: "aside" }, "By the contact of the probe, at so many places. No tall part may stand in the way: those are told to the command, pastewright probe."),
    );
  }

  /**
   * Only in the field of the jog keys: elsewhere the same keys scroll, and nobody means the machine.
   * @param {KeyboardEvent} event
   */
  key(event) {
    const found = KEYS[event.key];
    const here = event.target instanceof Node && this.pad.contains(event.target);
    if (!found || !here || event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented) return;
    event.preventDefault();
    if (!event.repeat) this.press(found[0], found[1]);
  }

  /**
   * @param {string} axis
   * @param {number} sign
   */
  press(axis, sign) {
    if (this.down) return;
    this.down = { axis, sign, begun: performance.now() };
    clearInterval(this.timer);
    this.timer = setInterval(() => this.beat(), BEAT_MS);
  }

  beat() {
    if (!this.down || performance.now() - this.down.begun < HELD_AFTER_MS) return;
    this.beats += 1;
    this.words += 1;
    const { axis, sign } = this.down;
    post("/machine/held", { axis, sign, n: this.words }).catch(() => this.up());
  }

  up() {
    const down = this.down;
    if (!down) return;
    this.down = null;
    clearInterval(this.timer);
    this.words += 1;
    if (this.beats) trying(() => post("/machine/held", { sign: 0, n: this.words }));
    else if (performance.now() - down.begun < HELD_AFTER_MS) this.step(down.axis, down.sign);
    this.beats = 0;
  }

  /**
   * @param {string} axis
   * @param {number} sign
   */
  step(axis, sign) {
    trying(() => post("/machine/step", { axis, by: sign * this.size }));
  }
}
