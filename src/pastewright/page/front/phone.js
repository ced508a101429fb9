/**
 * The phone's page: photos into the job, and stop. It stands alone: the phone is given no other file.
 * @module
 */

/** @param {string} id */
const place = (id) => /** @type {HTMLElement} */ (document.getElementById(id));

/** @param {string} words */
const say = (words) => {
  place("said").textContent = words;
};

/** @param {string} path @param {BodyInit} body */
async function sent(path, body) {
  try {
    const answer = await fetch(path, { method: "POST", body });
    if (answer.ok) return "";
    if (answer.status === 422) return (await answer.json()).problems[0].what;
    return await answer.text();
  } catch {
    return "the computer does not answer";
  }
}

place("stop").addEventListener("click", async () => say((await sent("/stop", "{}")) || "Stop was sent."));

const kinds = await (await fetch("/kinds")).json();
for (const kind of kinds) {
  const input = document.createElement("input");
  input.type = "file";
  input.accept = "image/*";
  input.setAttribute("capture", "environment");
  input.className = "hidden-input";
  input.addEventListener("change", async () => {
    for (const file of Array.from(input.files || [])) {
      say("Sending …");
      const wrong = await sent(`/photo?kind=${kind.id}&name=${encodeURIComponent(file.name)}`, file);
      say(wrong ? `Not taken: ${wrong}.` : "The photo is with the computer.");
    }
    input.value = "";
  });
  const label = document.createElement("label");
  label.className = "button large";
  label.append(input, `Photo of ${kind.name}`);
  place("photos").append(label);
}
if (!kinds.length) say("No photo is waited for now.");

export {};
