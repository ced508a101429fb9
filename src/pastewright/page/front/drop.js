/**
 * Files into the page: dropped, or chosen; a zip, single files, or a folder with what is in it.
 * @module
 */
import { post, send } from "./server.js";
import { h } from "./parts.js";
import { trying } from "./messages.js";

const MOST_DEEP = 4; // folders within folders; exports nest two or three deep (common practice)

/**
 * Returns a place to drop files on, with buttons that choose them; `whole` is called when all are with the server.
 * @param {string} words
 * @param {() => void} whole
 */
export function dropPlace(words, whole) {
  const chooseFile = chooser("Choose a zip or files", false, whole);
  const chooseFolder = chooser("Choose a folder", true, whole);
  const place = h("div", { class: "drop" }, h("p", {}, words), h("div", { class: "row" }, chooseFile, chooseFolder));
  takeDrops(place, whole);
  return place;
}

/**
 * Lets files be dropped on an element.
 * @param {HTMLElement} place
 * @param {() => void} whole
 */
export function takeDrops(place, whole) {
  for (const name of ["dragenter", "dragover"])
    place.addEventListener(name, (event) => {
      event.preventDefault();
      place.classList.add("over");
    });
  place.addEventListener("dragleave", () => place.classList.remove("over"));
  place.addEventListener("drop", (event) => {
    event.preventDefault();
    place.classList.remove("over");
    const entries = Array.from(event.dataTransfer?.items || [], (item) => item.webkitGetAsEntry());
    const loose = Array.from(event.dataTransfer?.files || []);
    trying(async () => {
      const found = await filesOf(entries);
      await sendAll(found.files.length ? found.files : loose, found.name, whole);
    });
  });
}

/**
 * @param {string} words @param {boolean} folder @param {() => void} whole
 */
function chooser(words, folder, whole) {
  const input = h("input", {
    type: "file",
    multiple: true,
    class: "hidden-input",
    webkitdirectory: folder,
    onchange: () =>
      trying(async () => {
        const files = Array.from(input.files || []);
        const name = folder && files[0] ? files[0].webkitRelativePath.split("/")[0] : "";
        input.value = "";
        await sendAll(files, name, whole);
      }),
  });
  return h("label", { class: "button" }, input, words);
}

/**
 * @param {(FileSystemEntry | null)[]} entries
 * @returns {Promise<{files: File[], name: string}>}
 */
async function filesOf(entries) {
  /** @type {File[]} */
  const files = [];
  let name = "";
  const walk = async (/** @type {FileSystemEntry} */ entry, /** @type {number} */ depth) => {
    if (entry.isFile) {
      const one = /** @type {FileSystemFileEntry} */ (entry);
      files.push(await new Promise((good, bad) => one.file(good, bad)));
    } else if (depth < MOST_DEEP) {
      name = name || entry.name;
      const reader = /** @type {FileSystemDirectoryEntry} */ (entry).createReader();
      for (;;) {
        // A reader gives a hundred at a time, and none at the end.
        const part = await new Promise((good, bad) => reader.readEntries(good, bad));
        if (!part.length) break;
        for (const inner of part) await walk(inner, depth + 1);
      }
    }
  };
  for (const entry of entries) if (entry) await walk(entry, 0);
  return { files: files.filter((file) => !file.name.startsWith(".")), name };
}

/** Returns a word of its own for the files that are sent together. */
function newWord() {
  return Array.from(crypto.getRandomValues(new Uint8Array(12)), (n) => n.toString(16).padStart(2, "0")).join("");
}

/**
 * Returns a button that takes or chooses photos, and sends them below `base`; `read` is called with the drop's word once
 * all are with the server.
 * @param {string} words @param {string} base @param {(word: string) => Promise<void>} read
 * @param {string} [also] further endings that are taken
 */
export function photoChooser(words, base, read, also = "") {
  const input = h("input", {
    type: "file",
    accept: `image/jpeg,image/png,image/heic,image/heif,.heic${also}`,
    multiple: true,
    class: "hidden-input",
    onchange: () =>
      trying(async () => {
        const files = Array.from(input.files || []);
        input.value = "";
        if (!files.length) return;
        const word = newWord();
        for (const file of files) await send(`${base}/photo?drop=${word}&name=${encodeURIComponent(file.name)}`, file);
        await read(word);
      }),
  });
  return h("label", { class: "button" }, input, words);
}

/**
 * @param {File[]} files @param {string} name @param {() => void} whole
 */
async function sendAll(files, name, whole) {
  if (!files.length) return;
  const word = newWord();
  for (const file of files) await send(`/board/drop?drop=${word}&name=${encodeURIComponent(file.name)}`, file);
  await post("/board/take", { drop: word, name: name || files[0].name.replace(/\.[^.]*$/, "") });
  whole();
}
