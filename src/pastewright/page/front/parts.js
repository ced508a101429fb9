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
    if (child instanceof Node && child.isConnected) remember(child);
    to.appendChild(child instanceof Node ? child : document.createTextNode(String(child)));
  }
}

/**
 * What had the focus in an element when it was filled anew, until it is there again: a button that was pressed goes, or
 * cannot be pressed, while its work is on.
 * @type {WeakMap<Element, {tag: string, words: string}>}
 */
const lost = new WeakMap();

/**
 * Puts children in the place of all that an element holds. What had the focus has it again afterwards, or what stands for
 * it now: who goes by keys must not be thrown back to the top of the page by news.
 * @param {Element} into
 * @param {...(Child | Child[])} children
 */
export function fill(into, ...children) {
  const active = /** @type {HTMLElement} */ (document.activeElement);
  const had = active !== into && into.contains(active) ? { tag: active.tagName, words: wordsOf(active) } : null;
  if (had) remember(active);
  into.replaceChildren();
  add(into, children);
  if (takenBack(into)) return;
  if (!had && active !== document.body) {
    lost.delete(into); // the person has gone on
    return;
  }
  const wanted = had || lost.get(into);
  if (!wanted) return;
  const again = standsFor(into, wanted);
  again?.focus({ preventScroll: true });
  if (again && document.activeElement === again) lost.delete(into);
  else lost.set(into, wanted);
}

/**
 * What has the focus and is put into new surroundings just now: it loses the focus as soon as it leaves its old ones.
 * @type {{taken: {element: HTMLElement, caret: [number, number] | null} | null}}
 */
const holding = { taken: null };

/** @param {Node} moved */
function remember(moved) {
  const active = document.activeElement;
  if (!(active instanceof HTMLElement) || !moved.contains(active)) return;
  const field = active instanceof HTMLInputElement ? active : null;
  const caret = /** @type {[number, number] | null} */ (field && field.selectionStart !== null ? [field.selectionStart, field.selectionEnd] : null);
  holding.taken = { element: active, caret };
}

/**
 * Gives the focus back to what was put into an element; tells whether it has it.
 * @param {Element} into
 */
function takenBack(into) {
  const { taken } = holding;
  holding.taken = null;
  if (!taken || !into.contains(taken.element)) return false;
  taken.element.focus({ preventScroll: true });
  // A field that is put in again has no caret, and would take no letters.
  if (taken.element instanceof HTMLInputElement && taken.caret) taken.element.setSelectionRange(...taken.caret);
  return document.activeElement === taken.element;
}

/**
 * Returns the element that has the same words and may have the focus.
 * @param {Element} into @param {{tag: string, words: string}} wanted
 */
function standsFor(into, wanted) {
  const found = /** @type {NodeListOf<HTMLElement>} */ (into.querySelectorAll(wanted.tag));
  return [...found].find((each) => wordsOf(each) === wanted.words && !(/** @type {any} */ (each).disabled));
}

/** @param {HTMLElement} element */
function wordsOf(element) {
  const label = element.getAttribute("aria-label") || /** @type {any} */ (element).labels?.[0]?.firstChild?.textContent;
  return label || element.id || element.textContent || "";
}

/**
 * Makes the buttons of a long list one stop of the Tab key; arrows, Home and End go among them. To be called anew once
 * the list was filled.
 * @param {HTMLElement} list
 * @param {string} which a selector of the buttons
 */
export function oneStop(list, which) {
  const all = () => /** @type {HTMLElement[]} */ ([...list.querySelectorAll(which)]);
  const stopAt = (/** @type {HTMLElement | undefined} */ one) => {
    for (const each of all()) each.tabIndex = each === one ? 0 : -1;
  };
  const now = all();
  stopAt(now.find((each) => each === document.activeElement) || now.find((each) => each.getAttribute("aria-pressed") === "true") || now[0]);
  if (list.dataset.oneStop) return;
  list.dataset.oneStop = "yes";
  list.addEventListener("focusin", (event) => {
    if (event.target instanceof HTMLElement && event.target.matches(which)) stopAt(event.target);
  });
  list.addEventListener("keydown", (event) => {
    const found = all();
    const at = found.indexOf(/** @type {HTMLElement} */ (document.activeElement));
    /** @type {Record<string, number>} */
    const ways = { ArrowDown: at + 1, ArrowUp: at - 1, Home: 0, End: found.length - 1 };
    if (at < 0 || !(event.key in ways) || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    found[Math.min(Math.max(ways[event.key], 0), found.length - 1)].focus();
  });
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
 * Returns a moment as files and commands write it: day and time of this place, no seconds.
 * @param {number} at seconds since 1970
 */
export function moment(at) {
  const two = (/** @type {number} */ n) => String(n).padStart(2, "0");
  const day = new Date(1000 * at);
  return `${day.getFullYear()}-${two(day.getMonth() + 1)}-${two(day.getDate())} ${two(day.getHours())}:${two(day.getMinutes())}`;
}

/**
 * Returns a count with its noun: "1 pad", "3 pads".
 * @param {number} count
 * @param {string} noun
 */
export function counted(count, noun) {
  return `${count} ${noun}${count === 1 ? "" : "s"}`;
}
