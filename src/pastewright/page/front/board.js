/**
 * Board: drop the files, see what each was taken for, change that, and look at the side.
 * @module
 */
import { on, post, viewed } from "./server.js";
import { button, choice, counted, fill, h } from "./parts.js";
import { problemList, putAway, trying } from "./messages.js";
import { dropPlace, takeDrops } from "./drop.js";
import { BoardView } from "./view/board-view.js";
import { boardBox, boardLayers, nameLayer, padAt, padBox, pickOverlay } from "./view/scene.js";
import { layerSwitches, padWords } from "./view/beside.js";

/** @typedef {import("./view/scene.js").BoardData} BoardData */

export default class BoardScreen extends HTMLElement {
  view = new BoardView();
  panel = h("div", { class: "panel" });
  about = h("div", { "aria-live": "polite" });
  /** @type {BoardData | null} */
  board = null;
  /** @type {import("./view/scene.js").PadView[]} */
  chosen = [];
  /** @type {import("./view/layers.js").Layer[]} */
  layers = [];
  /** What the picture was made of. */
  seen = "";
  /** @type {any} */
  desk = null;

  connectedCallback() {
    this.className = "split";
    this.append(this.view, this.panel);
    takeDrops(this, () => undefined);
    this.view.addEventListener("pick", (event) => this.pick(/** @type {CustomEvent} */ (event).detail));
    this.off = on("desk", (desk) => {
      const now = JSON.stringify([desk.source, desk.side, desk.roles, desk.units, desk.columns, desk.cut_short]);
      this.desk = desk;
      if (now !== this.seen) {
        this.seen = now;
        trying(() => this.read());
      }
    });
  }

  disconnectedCallback() {
    if (this.off) this.off();
  }

  async read() {
    if (!this.desk.source) {
      this.board = null;
      this.view.hidden = true;
      this.showPanel([]);
      return;
    }
    const asked = this.seen;
    /** @type {BoardData | null} */
    let board = null;
    try {
      board = await viewed("/board/read", "/board/view");
    } catch (error) {
      if (asked === this.seen) this.showPanel(/** @type {any} */ (error).problems || []);
      throw error;
    }
    if (!board || asked !== this.seen) return;
    putAway(); // what was wrong with the files before these
    this.view.hidden = false;
    this.board = board;
    this.chosen = [];
    const names = nameLayer(board);
    this.layers = boardLayers(board);
    this.view.overlays = [names.over, pickOverlay(() => this.chosen)];
    this.view.show(this.layers, boardBox(board));
    this.layers = [...this.layers, names.layer];
    this.showPanel(board.problems);
  }

  /** @param {{x: number, y: number, within: number}} place */
  pick(place) {
    if (!this.board) return;
    const n = padAt(this.board.pads, place);
    this.choose(n < 0 ? null : this.board.pads[n]);
  }

  /** @param {import("./view/scene.js").PadView | null} pad */
  choose(pad) {
    this.chosen = pad ? [pad] : [];
    this.view.draw();
    fill(this.about, pad ? padWords(pad) : h("p", { class: "aside" }, "Click a pad to read what it is."));
  }

  /** @param {import("./server.js").ProblemRow[]} problems */
  showPanel(problems) {
    const { board, desk } = this;
    fill(
      this.panel,
      h("h1", {}, board ? board.name : "Board"),
      dropPlace("Drop a zip or a folder of fabrication files here.", () => undefined),
      desk.source
        ? h(
            "div",
            { class: "row" },
            choice("Files", desk.sources, desk.source, (id) => trying(() => post("/start/choose", { source: id }))),
            choice("Side", SIDES, desk.side, (id) => trying(() => post("/start/choose", { side: id }))),
          )
        : null,
      board ? h("p", {}, `${board.in_words}.`) : null,
      problems.length ? problemList(problems) : null,
      this.about,
      board ? this.search(board) : null,
      board ? layerSwitches(this.layers, this.view) : null,
      board ? this.files(board) : null,
      desk.source ? this.silent(desk) : null,
    );
    this.choose(null);
    if (!board) fill(this.about);
  }

  /** @param {BoardData} board */
  search(board) {
    const names = h("datalist", { id: "pad-names" }, board.pads.slice(0, 3000).map((pad) => h("option", { value: pad.id })));
    const input = h("input", {
      type: "search",
      list: "pad-names",
      onchange: () => {
        const wanted = input.value.trim().toLowerCase();
        const found = board.pads.filter((pad) => [pad.id, pad.ref, pad.net].some((name) => name.toLowerCase() === wanted));
        if (!found.length) return;
        this.choose(found[0]);
        this.chosen = found;
        this.view.lookAt(padBox(found[0]));
      },
    });
    return h("label", { class: "field" }, h("span", {}, "Find a pad, part or net"), input, names);
  }

  /** @param {BoardData} board */
  files(board) {
    const roles = [{ id: "", name: "as it was taken" }, ...board.roles.map((role) => ({ id: role, name: role }))];
    const asked = this.desk.roles;
    const rows = board.layers.map((layer) =>
      h(
        "li",
        {},
        h("strong", {}, layer.file.split("/").pop() || layer.file),
        h("span", { class: layer.used ? "good" : "soft" }, layer.used ? ` ✓ ${layer.role}` : ` – ${layer.role}`),
        h("p", { class: "aside" }, layer.how, layer.note ? `; ${layer.note}` : ""),
        choice(`Role of ${layer.file.split("/").pop()}`, roles, asked[layer.file] || "", (role) =>
          trying(() => post("/board/role", { file: layer.file, role })),
        ),
      ),
    );
    const said = Object.entries(asked).map(([file, role]) => `--layer '${file}=${role}'`);
    return h(
      "details",
      { open: said.length > 0 },
      h("summary", {}, `${counted(board.layers.length, "file")} and what each is`),
      said.length ? h("p", { class: "aside" }, "The same at the command line: ", h("code", {}, said.join(" "))) : null,
      h("ul", { class: "rows" }, rows),
    );
  }

  /** @param {any} desk */
  silent(desk) {
    const units = h("input", { value: desk.units, placeholder: "mm, in, mil" });
    const columns = h("input", { value: desk.columns, placeholder: "x,y,diameter" });
    const cut = h("input", { type: "checkbox", checked: desk.cut_short });
    return h(
      "details",
      { open: Boolean(desk.units || desk.columns || desk.cut_short) },
      h("summary", {}, "What the files do not say"),
      h("label", { class: "field" }, h("span", {}, "Unit of a drawing or table that states none"), units),
      h("label", { class: "field" }, h("span", {}, "Columns of a table"), columns),
      h("label", { class: "check" }, cut, "Use a layer that was cut short as it is, though paste may lack"),
      button("Read again", () =>
        trying(() => post("/board/say", { units: units.value, columns: columns.value, cut_short: cut.checked })),
      ),
    );
  }
}

const SIDES = [
  { id: "top", name: "top" },
  { id: "bottom", name: "bottom" },
];
