/**
 * One pad of a plan: what it gets and why, and wishes that go into job.toml, shown as the lines that change.
 * @module
 */
import { post } from "../server.js";
import { button, counted, fill, h } from "../parts.js";
import { trying } from "../messages.js";

/** @typedef {import("./picture.js").PlanPad} PlanPad */

/**
 * Returns the card of a pad; `planAnew` is called once a wish was written.
 * @param {PlanPad} pad
 * @param {PlanPad | undefined} before the same pad in the plan before, where it was another one
 * @param {() => void} planAnew
 */
export function padCard(pad, before, planAnew) {
  const rows = [
    ["dose", `${pad.target.toFixed(4)} µL`],
    ["laid", `${pad.planned.toFixed(4)} µL, ${pad.mg.toFixed(3)} mg${pad.target ? `, ${Math.round((100 * pad.planned) / pad.target)} % of the dose` : ""}`],
    ...(before && before.planned !== pad.planned ? [["before", `${before.planned.toFixed(4)} µL as ${before.form}`]] : []),
    ...toleranceRows(pad),
    ["as", `${pad.form}, ${counted(pad.d.length, "deposit")}`],
    ["why", pad.reason],
    ["net", pad.net || "not named"],
    ["read from", pad.from],
  ];
  return h(
    "section",
    { class: "card" },
    h("h2", {}, pad.id),
    h("dl", {}, rows.flatMap(([name, words]) => [h("dt", {}, name), h("dd", {}, words)])),
    pad.looks.map((words) => h("p", { class: "look" }, `△ ${words}`)),
    pad.bridges.map((each) => h("p", { class: "look" }, `△ may bridge to ${each.pad} (${each.gap.toFixed(2)} mm): ${each.mend}`)),
    wishes(pad, planAnew),
  );
}

/** @param {PlanPad} pad */
function toleranceRows(pad) {
  if (!pad.off) return [];
  const { bias, within, most, share } = pad.off;
  const percent = (/** @type {number} */ part) => `${(100 * part).toFixed(0)} %`;
  const lies = Math.abs(bias) >= 0.005 ? `${bias > 0 ? "+" : "−"}${percent(Math.abs(bias))}, ` : "";
  return [["may be off", `${lies}± ${percent(within)} at 95 %; ${percent(share)} of it by ${most}`]];
}

/** @param {PlanPad} pad @param {() => void} planAnew */
function wishes(pad, planAnew) {
  const named = Boolean(pad.ref && pad.pin);
  const whom = h(
    "select",
    { "aria-label": "For whom" },
    h("option", { value: "pad" }, `this pad, ${pad.id}`),
    pad.ref ? h("option", { value: "part" }, `the whole part, ${pad.ref}`) : null,
  );
  const value = h("input", { type: "number", step: "any", min: "0", value: pad.target ? pad.target.toPrecision(4) : "", "aria-label": "How much" });
  const what = h(
    "select",
    { "aria-label": "What is wished", onchange: () => update() },
    [
      ["volume_ul", "volume, µL"],
      ["scale_percent", "share of the usual dose, %"],
      ["coverage_percent", "share of the land covered, %"],
      ["skip", "no paste"],
      ["usual", "the usual dose again"],
      ["dots", "laid as dots"],
      ["bead", "laid as a bead"],
      ["alone", "laid by itself, in no bead across a row"],
      ["row", "laid in one bead across its row"],
      ["usual form", "laid in the usual form again"],
      ...(pad.ref ? [["first", "part is laid first"], ["last", "part is laid last"], ["between", "part is laid in the usual order"], ["not fitted", "part is not fitted"], ["fitted", "part is fitted"]] : []),
    ].map(([id, name]) => h("option", { value: id }, name)),
  );
  const lines = h("div", { "aria-live": "polite" });
  const asked = () => {
    const whole = whom.value === "part" || ["first", "last", "between", "fitted", "not fitted"].includes(what.value);
    const who = named || whole ? { ref: pad.ref, pin: whole ? "" : pad.pin } : { pad: pad.own };
    return { ...who, what: what.value, value: NUMBERS.has(what.value) ? Number(value.value) : null };
  };
  const update = () => {
    value.hidden = !NUMBERS.has(what.value);
    fill(lines);
    if (what.value === "scale_percent" || what.value === "coverage_percent") value.value = "90";
    else if (what.value === "volume_ul") value.value = pad.target ? pad.target.toPrecision(4) : "";
  };
  const show = () =>
    trying(async () => {
      const data = asked();
      const found = await post("/plan/wish", data);
      fill(
        lines,
        found.lines.length
          ? [
              h("p", {}, found.new ? `A new ${found.file}:` : `These lines of ${found.file} change:`),
              h("pre", { class: "lines", tabindex: "0" }, found.lines.map((/** @type {any} */ each) => h("span", { class: each.sign === "+" ? "plus" : each.sign === "-" ? "minus" : "" }, `${each.sign} ${each.text}\n`))),
              button("Write them and plan anew", () => trying(() => write(data)), { class: "main" }),
            ]
          : h("p", {}, "That changes nothing: the job says so already."),
      );
    });
  const write = async (/** @type {object} */ data) => {
    await post("/plan/wish", { ...data, write: true });
    planAnew();
  };
  return h(
    "details",
    {},
    h("summary", {}, "Wish something else"),
    h("div", { class: "row" }, what, value, whom),
    h("p", {}, button("Show what would change", show)),
    lines,
  );
}

const NUMBERS = new Set(["volume_ul", "scale_percent", "coverage_percent"]);
