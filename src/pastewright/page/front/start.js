/**
 * Start: what lies in the folder, what is chosen of it, and what to do next.
 * @module
 */
import { on, post } from "./server.js";
import { choice, counted, duration, fill, h } from "./parts.js";
import { trying } from "./messages.js";

export default class StartScreen extends HTMLElement {
  connectedCallback() {
    this.off = on("desk", (desk) => this.show(desk));
    this.offPhone = on("phone", (phone) => {
      this.phone = phone;
      this.showPhone();
    });
    trying(() => post("/start/look"));
  }

  disconnectedCallback() {
    if (this.off) this.off();
    if (this.offPhone) this.offPhone();
  }

  phoneCard = h("section", { class: "card", hidden: true });
  phone = { open: false, taken: false };

  showPhone() {
    this.phoneCard.hidden = !this.phone.open;
    fill(
      this.phoneCard,
      h("h2", {}, "Phone"),
      this.phone.taken
        ? h("p", {}, "✓ A phone is let in: it may send photos, and stop. For another one start the page anew.")
        : [
            h("p", {}, "One phone in this network may send photos, and stop. The code works once. Nothing between phone and computer is encrypted."),
            h("img", { src: "/phone.svg", alt: "QR code with the address for a phone; it stands in the terminal, too.", class: "plot" }),
          ],
    );
  }

  /** @param {any} desk */
  show(desk) {
    const choose = (/** @type {object} */ data) => trying(() => post("/start/choose", data));
    fill(
      this,
      h("h1", {}, desk.folder),
      h(
        "div",
        { class: "cards" },
        h(
          "section",
          { class: "card" },
          h("h2", {}, "Board"),
          desk.sources.length
            ? [
                choice("Fabrication files", desk.sources, desk.source, (id) => choose({ source: id })),
                choice("Side", SIDES, desk.side, (id) => choose({ side: id })),
              ]
            : h("p", {}, "No fabrication files here yet: ", h("a", { href: "#board" }, "drop them under Board"), "."),
        ),
        h(
          "section",
          { class: "card" },
          h("h2", {}, "Bench"),
          desk.benches.length
            ? choice("Profile", desk.benches, desk.bench, (id) => choose({ bench: id }))
            : h("p", {}, "No bench here yet: ", h("a", { href: "#bench" }, "make one under Bench"), "."),
        ),
        h(
          "section",
          { class: "card" },
          h("h2", {}, "Plans"),
          desk.plans.length ? h("ul", { class: "rows" }, desk.plans.map(planRow)) : h("p", {}, "Nothing is planned yet: ", h("a", { href: "#plan" }, "plan a side under Plan"), "."),
        ),
        this.phoneCard,
      ),
      h(
        "p",
        { class: "aside" },
        "Closing this window ends nothing: the server goes on in its terminal, a run goes on, and a window opened again shows it. Ctrl-C in the terminal ends the page, and a run with it: the tip is lifted first.",
      ),
    );
  }
}

const SIDES = [
  { id: "top", name: "top" },
  { id: "bottom", name: "bottom" },
];

/** @param {any} plan */
function planRow(plan) {
  return h(
    "li",
    {},
    h("span", { class: plan.ok ? "good" : "bad" }, plan.ok ? "✓ verified" : "✕ has findings"),
    ` ${plan.name}: ${plan.board}, ${plan.side}${plan.dry ? ", in the air" : ""}; ${counted(plan.deposits, "deposit")}, ${duration(plan.machine_s)}`,
  );
}
