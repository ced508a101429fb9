/**
 * What is said to the person at the foot of the page: problems stay until they are put away, other words go by themselves.
 * @module
 */
import { Refused, problem } from "./server.js";
import { button, h } from "./parts.js";

const STAY_MS = 6000; // long enough to read two lines (common practice)

/** @returns {HTMLElement} */
function place() {
  return /** @type {HTMLElement} */ (document.getElementById("words"));
}

/**
 * Says a sentence.
 * @param {string} words
 */
export function say(words) {
  const shown = h("div", { class: "message", role: "status" }, h("p", {}, words));
  place().append(shown);
  setTimeout(() => shown.remove(), STAY_MS);
}

/**
 * Says what is wrong, where, and how to mend it.
 * @param {import("./server.js").ProblemRow[]} problems
 */
export function sayProblems(problems) {
  const shown = h("div", { class: "message wrong", role: "alert" }, problemList(problems));
  shown.append(button("Put away", () => shown.remove(), { class: "quiet" }));
  place().replaceChildren(shown);
}

/** Puts away what was said to be wrong. */
export function putAway() {
  for (const shown of place().querySelectorAll(".wrong")) shown.remove();
}

/**
 * Returns problems as a list.
 * @param {import("./server.js").ProblemRow[]} problems
 */
export function problemList(problems) {
  return h(
    "ul",
    { class: "problems" },
    problems.map((each) =>
      h(
        "li",
        { class: each.severity },
        h("strong", {}, each.severity === "error" ? "✕ " : "△ ", where(each), sentence(each.what, Boolean(each.file))),
        each.mend ? h("span", {}, " ", each.mend) : null,
      ),
    ),
  );
}

/** @param {import("./server.js").ProblemRow} each */
function where(each) {
  const file = each.file.split("/").pop() || "";
  if (!file) return "";
  return `${file}${each.line ? `:${each.line}` : ""}: `;
}

/** @param {string} words @param {boolean} [goesOn] behind a file's name */
function sentence(words, goesOn = false) {
  const first = goesOn ? words : words.charAt(0).toUpperCase() + words.slice(1);
  return /[.!?]$/.test(first) ? first : `${first}.`;
}

/**
 * Does something, and says what is wrong where it cannot be done. Returns what it gave, undefined where it failed.
 * @template T
 * @param {() => Promise<T>} work
 * @returns {Promise<T | undefined>}
 */
export async function trying(work) {
  try {
    return await work();
  } catch (error) {
    if (error instanceof Refused) sayProblems(error.problems);
    else {
      console.error(error);
      sayProblems([problem(`the page made a mistake: ${error}`, "Load it anew; please report this.")]);
    }
    return undefined;
  }
}
