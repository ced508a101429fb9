/**
 * What if: another tip, foil, paste or barrel, planned beside the plan that stands; nothing is written.
 * @module
 */
import { finished, get, post } from "../server.js";
import { button, duration, fill, h } from "../parts.js";
import { trying } from "../messages.js";

/** @typedef {import("./picture.js").PlanData} PlanData */
/** @typedef {{path: string, comment: string, unit: string, kind: string, choices: string[], accepts: string, value: any}} Offer */

/**
 * Returns the form; `show` gets the other plan, null to go back to the one that stands.
 * @param {() => PlanData | null} standing
 * @param {(plan: PlanData | null) => void} show
 */
export function whatIf(standing, show) {
  const outcome = h("div", { "aria-live": "polite" });
  const fields = h("div", { class: "what-if" });
  /** @type {Map<string, HTMLInputElement>} */
  const inputs = new Map();
  /** @type {Offer[]} */
  let offers = [];
  const load = () =>
    trying(async () => {
      offers = await get("/plan/offers");
      inputs.clear();
      fill(
        fields,
        offers.map((offer) => {
          const input = h("input", { value: offer.value ?? "", placeholder: offer.value === null ? "not given" : "", inputmode: offer.kind === "text" ? "text" : "decimal" });
          inputs.set(offer.path, input);
          return h("label", { class: "field" }, h("span", {}, `${offer.path.replace(".", ": ").replaceAll("_", " ")}${offer.unit ? ` [${offer.unit}]` : ""}`), input);
        }),
      );
    });
  const go = () =>
    trying(async () => {
      const values = Object.fromEntries(
        offers
          .filter((offer) => inputs.get(offer.path)?.value !== String(offer.value ?? ""))
          .map((offer) => {
            const typed = inputs.get(offer.path)?.value ?? "";
            return [offer.path, offer.kind === "text" ? typed : Number(typed)];
          }),
      );
      const { task } = await post("/plan/what-if", values);
      if (!(await finished(task))) return;
      const other = /** @type {PlanData} */ (await get("/plan/what-if/view"));
      const words = Object.entries(values).map(([path, value]) => `${path} ${value}`).join(", ");
      fill(outcome, comparison(standing(), other, words), button("Back to the plan that stands", back));
      show(other);
    });
  const back = () => {
    fill(outcome);
    show(null);
  };
  return h(
    "details",
    { ontoggle: (/** @type {Event} */ event) => /** @type {HTMLDetailsElement} */ (event.target).open && load() },
    h("summary", {}, "What if"),
    h("p", { class: "aside" }, "Another tip, foil, paste or barrel, planned beside this plan. Nothing is written."),
    fields,
    h("p", {}, button("Plan it so", go)),
    outcome,
  );
}

/**
 * @param {PlanData | null} one @param {PlanData} other @param {string} words
 */
function comparison(one, other, words) {
  const minutes = (/** @type {PlanData} */ plan) => duration(plan.totals.machine_s);
  const looks = (/** @type {PlanData} */ plan) => plan.pads.filter((pad) => pad.looks.length).length;
  const rows = [
    ["deposits", (/** @type {PlanData} */ plan) => plan.totals.deposits],
    ["paste, µL", (/** @type {PlanData} */ plan) => plan.totals.paste_ul.toFixed(2)],
    ["machine time", minutes],
    ["pads with remarks", looks],
    ["verified", (/** @type {PlanData} */ plan) => (plan.verdict.ok ? "✓ yes" : "✕ no")],
  ];
  return h(
    "table",
    {},
    h("caption", {}, `What if: ${words}`),
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, ""), h("th", { scope: "col" }, "as it stands"), h("th", { scope: "col" }, "what if"))),
    h("tbody", {}, rows.map(([name, of]) => h("tr", {}, h("th", { scope: "row" }, /** @type {string} */ (name)), h("td", {}, one ? /** @type {any} */ (of)(one) : "–"), h("td", {}, /** @type {any} */ (of)(other))))),
  );
}
