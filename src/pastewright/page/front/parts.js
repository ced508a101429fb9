/**
 * Elements from words: everything on the page is made by `h`, so that what a file says can never become markup.
 * @module
 */

/** @typedef {Node | string | number | null | undefined | false} Child */

/**
 * Returns an element. Attributes: `class`, `text`, event handlers as functions (`onclick`), properties that are not
 * text (`checked`, `disabled`, `value`), and any attribute else; null and false leave one out.
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} name
 * @param {Record<string, any>} [given]
 * @param {...(Child | Child[])} children
 * @returns {HTMLElementTagNameMap[K]}
 */
export function h(name, given = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(given)) {
    if (value === null || value === undefined || value === false) continue;
    if (key === "text") made.textContent = String(value);
    else if (typeof value === "function") made.addEventListener(key.slice(2), value);
    else if (PROPERTIES.has(key)) /** @type {any} */ (made)[key] = value;
    else made.setAttribute(key, value === true ? "" : String(value));
  }
  add(made, children);
  return made;
}

const PROPERTIES = new Set(["value", "checked", "disabled", "selected", "open", "hidden"]);

/**
 * @param {Node} to
 * @param {(Child | Child[])[]} children
 */
export function add(to, children) {
  for (const child of children.flat()) {
    if (child === null || child === undefined || child === false) continue;
    to.appendChild(child instanceof Node ? child : document.createTextNode(String(child)));
  }
}

/**
 * Puts children in the place of all that an element holds.
 * @param {Element} into
 * @param {...(Child | Child[])} children
 */
export function fill(into, ...children) {
  into.replaceChildren();
  add(into, children);
}

/**
 * Returns a button.
 * @param {string} words
 * @param {(event: Event) => void} press
 * @param {Record<string, any>} [given]
 */
export function button(words, press, given = {}) {
  return h("button", { type: "button", onclick: press, ...given }, words);
}

/**
 * Returns a choice among things: a label with a select.
 * @param {string} words
 * @param {{id: string, name: string}[]} things
 * @param {string} chosen
 * @param {(id: string) => void} choose
 */
export function choice(words, things, chosen, choose) {
  const select = h(
    "select",
    { onchange: (/** @type {Event} */ event) => choose(/** @type {HTMLSelectElement} */ (event.target).value) },
    things.map((each) => h("option", { value: each.id, selected: each.id === chosen }, each.name)),
  );
  return h("label", { class: "field" }, h("span", {}, words), select);
}

/**
 * Returns seconds as people say them.
 * @param {number} seconds
 */
export function duration(seconds) {
  const whole = Math.round(seconds);
  if (whole < 90) return `${whole} s`;
  const minutes = Math.floor(whole / 60);
  if (minutes < 90) return `${minutes} min ${String(whole - 60 * minutes).padStart(2, "0")} s`;
  return `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min`;
}

/**
 * Returns a count with its noun: "1 pad", "3 pads".
 * @param {number} count
 * @param {string} noun
 */
export function counted(count, noun) {
  return `${count} ${noun}${count === 1 ? "" : "s"}`;
}
