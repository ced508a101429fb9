/**
 * The shell: screens in a rail, the one that the address names in the middle, work and words at the foot, and the stop
 * button over everything while something moves.
 * @module
 */
import { get, last, listen, on, post, windowWord } from "./server.js";
import { button, fill, h } from "./parts.js";
import { putAway, say, trying } from "./messages.js";

/** @typedef {{name: string, words: string, about: string, script: string}} ScreenRow */

/** @param {string} id */
const place = (id) => /** @type {HTMLElement} */ (document.getElementById(id));

/** @type {ScreenRow[]} */
let screens = [];
let shown = "";

async function open() {
  const [name] = location.hash.slice(1).split("/");
  const screen = screens.find((each) => each.name === name) || screens[0];
  if (!screen || screen.name === shown) return;
  if (shown) putAway(); // what was refused on the screen before has been read, and may be mended on this one
  shown = screen.name;
  const { default: Screen } = await import(`/front/${screen.script}`);
  if (shown !== screen.name) return;
  const tag = `screen-${screen.name}`;
  if (!customElements.get(tag)) customElements.define(tag, Screen);
  document.title = `${screen.words} – pastewright`;
  place("main").replaceChildren(document.createElement(tag));
  for (const link of place("rail").querySelectorAll("a")) {
    if (link.hash === `#${screen.name}`) {
      link.setAttribute("aria-current", "page");
      link.scrollIntoView({ block: "nearest", inline: "nearest" });
    } else link.removeAttribute("aria-current");
  }
}

function rail() {
  fill(
    place("rail"),
    h(
      "ul",
      {},
      screens.map((each) => h("li", {}, h("a", { href: `#${each.name}`, title: each.about }, each.words))),
    ),
  );
}

function wheel() {
  const shown = button("", () => press(), { class: "quiet wheel" });
  let holder = "";
  const press = () =>
    trying(async () => {
      if (holder === windowWord) await post("/wheel", { leave: true });
      else await post("/wheel", { over: true });
    });
  on("wheel", (data) => {
    holder = data.window;
    shown.hidden = !holder;
    shown.textContent = holder === windowWord ? "This window steers" : "Take the wheel";
    shown.title =
      holder === windowWord
        ? "Let go, so that another window may steer."
        : "Another window steers the machine. Steer from here instead.";
  });
  return shown;
}

function scheme() {
  const root = document.documentElement;
  const set = (/** @type {string} */ name) => {
    if (name) root.dataset.scheme = name;
    else delete root.dataset.scheme;
    document.dispatchEvent(new Event("scheme"));
  };
  set(localStorage.getItem("scheme") || "");
  return button(
    "◐",
    () => {
      const dark = matchMedia("(prefers-color-scheme: dark)").matches;
      const now = root.dataset.scheme || (dark ? "dark" : "light");
      const next = now === "dark" ? "light" : "dark";
      localStorage.setItem("scheme", next);
      set(next);
    },
    { class: "quiet", "aria-label": "Light or dark", title: "Light or dark" },
  );
}

function stopping() {
  const stop = () =>
    trying(async () => {
      await post("/stop");
      say("Stop was sent.");
    });
  const large = button("Stop", stop, { class: "stop", "aria-keyshortcuts": "Escape" });
  const what = h("span", {});
  place("stop-place").append(what, large);
  on("moving", (data) => {
    place("stop-place").hidden = !data.words;
    what.textContent = data.words;
  });
  document.addEventListener(
    "keydown",
    (event) => {
      if (event.key !== "Escape" || event.repeat || !last("moving")?.words) return;
      event.preventDefault();
      event.stopPropagation();
      stop();
    },
    true,
  );
}

function working() {
  /** @type {Map<number, {row: HTMLElement, words: HTMLElement, bar: HTMLProgressElement}>} made once: progress is told often */
  const rows = new Map();
  on("tasks", (/** @type {import("./server.js").TaskRow[]} */ tasks) => {
    const now = tasks.filter((each) => each.state === "waiting" || each.state === "at work");
    place("work").hidden = !now.length;
    for (const [id, { row }] of rows)
      if (!now.some((each) => each.id === id)) {
        row.remove();
        rows.delete(id);
      }
    for (const each of now) {
      let made = rows.get(each.id);
      if (!made) {
        const words = h("span", {});
        const bar = h("progress", { "aria-label": each.words });
        const row = h("div", { class: "task" }, words, bar, button("Give up", () => trying(() => post(`/task/${each.id}/give-up`)), { class: "quiet" }));
        made = { row, words, bar };
        rows.set(each.id, made);
        place("work").append(row);
      }
      made.words.textContent = `${each.words}${each.stage ? `: ${each.stage}` : each.state === "waiting" ? ": waiting" : ""}`;
      if (each.of) {
        made.bar.max = each.of;
        made.bar.value = each.done;
      } else made.bar.removeAttribute("value");
    }
  });
}

function standing() {
  const gone = h("p", { class: "gone", role: "alert", hidden: true }, "The server does not answer. A run that it was sending ends safely by itself; start the page again: pastewright page");
  document.body.append(gone);
  let late = 0;
  listen((there) => {
    if (there) {
      clearTimeout(late);
      late = 0;
      gone.hidden = true;
    } else if (!late) late = setTimeout(() => (gone.hidden = false), 1500); // each try that fails is told again
  });
}

on("desk", (desk) => {
  const plan = desk.sources.find((/** @type {{id: string}} */ each) => each.id === desk.source);
  fill(place("where"), h("span", {}, desk.folder), plan ? h("span", { class: "chip" }, `${plan.name}, ${desk.side}`) : null);
});
place("top-right").append(wheel(), scheme());
for (const name of ["dragover", "drop"]) document.addEventListener(name, (event) => event.preventDefault()); // beside its place a dropped file would be opened instead of the page
stopping();
working();
standing();
trying(async () => {
  screens = (await get("/shell")).screens;
  rail();
  addEventListener("hashchange", () => trying(open));
  await open();
});
