/**
 * The server, as a window sees it: questions to it, and what it tells.
 * @module
 */

/**
 * @typedef {{what: string, mend: string, severity: string, file: string, line: number | null}} ProblemRow
 * @typedef {{id: number, kind: string, words: string, state: string, stage: string, done: number, of: number,
 *   problems: ProblemRow[]}} TaskRow
 */

/** What was asked for and could not be done, in words for a person. */
export class Refused extends Error {
  /** @param {ProblemRow[]} problems */
  constructor(problems) {
    super(problems.map((each) => each.what).join("; "));
    this.problems = problems;
  }
}

/** This window's own word; it keeps it when it is loaded anew. */
export const windowWord = (() => {
  const kept = sessionStorage.getItem("window");
  if (kept) return kept;
  const made = Array.from(crypto.getRandomValues(new Uint8Array(12)), (n) => n.toString(16).padStart(2, "0")).join("");
  sessionStorage.setItem("window", made);
  return made;
})();

/** @param {string} what @param {string} [mend] @returns {ProblemRow} */
export function problem(what, mend = "") {
  return { what, mend, severity: "error", file: "", line: null };
}

/**
 * Sends a request; throws `Refused` with the reasons where the server does not do it.
 * @param {string} path
 * @param {RequestInit} [how]
 * @returns {Promise<Response>}
 */
async function answered(path, how = {}) {
  let response;
  try {
    response = await fetch(path, { ...how, headers: { "x-window": windowWord, "x-door": localStorage.getItem("door") || "", ...(how.headers || {}) } });
  } catch {
    throw new Refused([problem("the server does not answer", "Look at the terminal that runs the page.")]);
  }
  if (response.ok) return response;
  if (response.status === 422) throw new Refused((await response.json()).problems);
  throw new Refused([problem((await response.text()) || `the server answered ${response.status}`)]);
}

/**
 * Asks for data.
 * @param {string} path
 * @returns {Promise<any>}
 */
export async function get(path) {
  return (await answered(path)).json();
}

/**
 * Asks for something to be done.
 * @param {string} path
 * @param {object} [data]
 * @returns {Promise<any>}
 */
export async function post(path, data = {}) {
  const how = { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(data) };
  return (await answered(path, how)).json();
}

/**
 * Sends a file.
 * @param {string} path
 * @param {Blob} file
 * @returns {Promise<any>}
 */
export async function send(path, file) {
  const how = { method: "POST", headers: { "content-type": "application/octet-stream" }, body: file };
  return (await answered(path, how)).json();
}

/** Topics whose last word is kept from the beginning: a screen that is opened later hears it at once. */
const KEPT = ["machine", "run", "inspect", "phone"];
/** @type {Map<string, any>} */
const lastWords = new Map();
/** @type {Map<string, Set<(data: any) => void>>} */
const listeners = new Map();
/** @type {EventSource | null} */
let stream = null;

/**
 * Hears a topic: `hear` gets its last word at once where there is one, and each new one. Returns what ends it.
 * @param {string} topic
 * @param {(data: any) => void} hear
 */
export function on(topic, hear) {
  let set = listeners.get(topic);
  if (!set) {
    set = new Set();
    listeners.set(topic, set);
    if (!KEPT.includes(topic)) stream?.addEventListener(topic, heard);
  }
  set.add(hear);
  if (lastWords.has(topic)) hear(lastWords.get(topic));
  return () => set?.delete(hear);
}

/** @param {string} topic */
export function last(topic) {
  return lastWords.get(topic);
}

/** @param {Event} event */
function heard(event) {
  const message = /** @type {MessageEvent} */ (event);
  const data = JSON.parse(message.data);
  lastWords.set(message.type, data);
  for (const hear of listeners.get(message.type) || []) hear(data);
}

/**
 * Opens the stream; `standing` is told whether the server is there.
 * @param {(there: boolean) => void} standing
 */
export function listen(standing) {
  stream = new EventSource(`/events?window=${windowWord}`);
  stream.onopen = () => standing(true);
  stream.onerror = () => {
    standing(false);
    // A browser gives up where another server answers in its place: a new start has another secret.
    if (stream?.readyState === EventSource.CLOSED) setTimeout(() => listen(standing), 2000);
  };
  for (const topic of new Set([...KEPT, ...listeners.keys()])) stream.addEventListener(topic, heard);
}

/**
 * Hears that a task of a kind is done, by whatever window or phone it was begun. Returns what ends it.
 * @param {string} kind
 * @param {() => void} hear
 */
export function whenDone(kind, hear) {
  let last = -1;
  return on("tasks", (/** @type {TaskRow[]} */ tasks) => {
    const done = Math.max(0, ...tasks.filter((each) => each.kind === kind && each.state === "done").map((each) => each.id));
    const more = last >= 0 && done > last;
    last = done;
    if (more) hear();
  });
}

/**
 * Returns what does `work` one at a time: who asks meanwhile has it done once more, and waits for that.
 * @param {() => Promise<void>} work
 * @returns {() => Promise<void>}
 */
export function oneAtATime(work) {
  let again = false;
  /** @type {Promise<void> | null} */
  let running = null;
  const go = async () => {
    try {
      do {
        again = false;
        await work();
      } while (again);
    } finally {
      running = null;
    }
  };
  return () => {
    if (running) again = true;
    else running = Promise.resolve().then(go);
    return running;
  };
}

/**
 * Has the server make a view and returns it; null where a person gave it up. Where another window's newer one took its
 * place, that one is waited for.
 * @param {string} ask @param {string} view
 * @returns {Promise<any>}
 */
export async function viewed(ask, view) {
  for (;;) {
    const { task } = await post(ask);
    if (!task || (await finished(task))) return get(view);
    /** @type {TaskRow[]} */
    const tasks = last("tasks") || [];
    const kind = tasks.find((each) => each.id === task)?.kind;
    if (!tasks.some((each) => each.kind === kind && each.id > task)) return null;
  }
}

/**
 * Waits for a task's end; `hear` is told how far it is. Throws `Refused` where it failed; returns whether it was done
 * (false: given up).
 * @param {number} number
 * @param {(task: TaskRow) => void} [hear]
 * @returns {Promise<boolean>}
 */
export function finished(number, hear = () => undefined) {
  return new Promise((good, bad) => {
    /** @type {(() => void) | null} */
    let off = null;
    let over = false;
    off = on("tasks", (/** @type {TaskRow[]} */ tasks) => {
      const task = tasks.find((each) => each.id === number);
      // One that later ones have outlived ended so long ago that it is not told any more.
      if (over || (!task && !tasks.some((each) => each.id > number))) return;
      if (task) hear(task);
      if (task?.state === "waiting" || task?.state === "at work") return;
      over = true;
      if (off) off();
      if (task?.state === "failed") bad(new Refused(task.problems));
      else good(!task || task.state === "done");
    });
    if (over) off();
  });
}
