// The table of pads sifted, and picture and table shown to each other. Nothing here decides anything.
const rows = [...document.querySelectorAll("#pads tbody tr")];

// ---- the table: a word, and "needs a look"
const box = document.getElementById("find");
const only = document.getElementById("only");
function sift() {
  const word = box.value.toLowerCase();
  for (const row of rows) {
    row.hidden = (word && !row.textContent.toLowerCase().includes(word)) || (only.checked && !row.dataset.look);
  }
}
box.addEventListener("input", sift);
only.addEventListener("change", sift);

// ---- the picture: nearer, farther, moved; by wheel, fingers and buttons
const frame = document.getElementById("board");
const svg = frame.querySelector("svg");
if (svg && svg.viewBox.baseVal) {
  const start = svg.viewBox.baseVal;
  const whole = { x: start.x, y: start.y, w: start.width, h: start.height };
  let now = { ...whole };

  function show(next) {
    const w = Math.min(whole.w, Math.max(whole.w / 60, next.w));
    const h = w * whole.h / whole.w;
    now = {
      x: Math.min(whole.x + whole.w - w, Math.max(whole.x, next.x)),
      y: Math.min(whole.y + whole.h - h, Math.max(whole.y, next.y)),
      w, h,
    };
    svg.setAttribute("viewBox", `${now.x} ${now.y} ${now.w} ${now.h}`);
    // A finger scrolls the page while the whole board is seen, and moves the board when it is not.
    svg.style.touchAction = now.w < whole.w * 0.999 ? "none" : "pan-x pan-y";
  }
  // A place on the screen to one on the picture.
  function at(x, y) {
    return new DOMPoint(x, y).matrixTransform(svg.getScreenCTM().inverse());
  }
  function nearer(times, place) {
    const w = now.w / times;
    const share = now.w ? Math.min(whole.w, Math.max(whole.w / 60, w)) / now.w : 1;
    show({ x: place.x - (place.x - now.x) * share, y: place.y - (place.y - now.y) * share, w });
  }
  const middle = () => ({ x: now.x + now.w / 2, y: now.y + now.h / 2 });
  document.getElementById("nearer").addEventListener("click", () => nearer(1.6, middle()));
  document.getElementById("farther").addEventListener("click", () => nearer(1 / 1.6, middle()));
  document.getElementById("whole").addEventListener("click", () => show(whole));
  svg.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && !event.metaKey) return; // the page scrolls
    event.preventDefault();
    nearer(Math.exp(-event.deltaY / 300), at(event.clientX, event.clientY));
  }, { passive: false });

  const fingers = new Map();
  let moved = 0;
  svg.addEventListener("pointerdown", (event) => {
    fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (fingers.size === 1) moved = 0;
  });
  svg.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId);
    if (!before) return;
    const here = { x: event.clientX, y: event.clientY };
    const others = [...fingers].filter(([id]) => id !== event.pointerId).map(([, place]) => place);
    moved += Math.hypot(here.x - before.x, here.y - before.y);
    if (others.length === 1) {
      const span = (a) => Math.hypot(a.x - others[0].x, a.y - others[0].y);
      if (span(before) > 0) {
        nearer(span(here) / span(before), at((here.x + others[0].x) / 2, (here.y + others[0].y) / 2));
      }
    } else if (others.length === 0 && now.w < whole.w) {
      const from = at(before.x, before.y), to = at(here.x, here.y);
      show({ ...now, x: now.x + from.x - to.x, y: now.y + from.y - to.y });
    }
    fingers.set(event.pointerId, here);
  });
  for (const name of ["pointerup", "pointercancel", "pointerleave"]) {
    svg.addEventListener(name, (event) => fingers.delete(event.pointerId));
  }

  // ---- a pad in both
  const byPad = new Map(rows.map((row) => [row.dataset.pad, row]));
  const shapes = new Map();
  for (const shape of svg.querySelectorAll("[data-pad]")) {
    const pad = shape.dataset.pad;
    shapes.set(pad, [...(shapes.get(pad) || []), shape]);
  }
  function pick(pad) {
    for (const one of document.querySelectorAll(".picked")) one.classList.remove("picked");
    byPad.get(pad)?.classList.add("picked");
    for (const shape of shapes.get(pad) || []) shape.classList.add("picked");
  }
  svg.addEventListener("click", (event) => {
    const pad = event.target.closest("[data-pad]")?.dataset.pad;
    if (moved > 6 || pad === undefined) return; // it was a drag, or bare board
    pick(pad);
    const row = byPad.get(pad);
    if (!row) return;
    row.hidden = false;
    row.scrollIntoView({ block: "center", behavior: "smooth" });
  });
  for (const [pad, row] of byPad) {
    const button = row.querySelector("button");
    button.disabled = !shapes.has(pad);
    button.addEventListener("click", () => {
      pick(pad);
      const [first] = shapes.get(pad);
      const seen = first.getBoundingClientRect();
      const place = at(seen.x + seen.width / 2, seen.y + seen.height / 2);
      const w = whole.w / 5;
      show({ x: place.x - w / 2, y: place.y - (w * whole.h) / whole.w / 2, w });
      frame.scrollIntoView({ block: "center", behavior: "smooth" });
    });
  }

  const names = svg.querySelector(".names");
  const named = document.getElementById("names");
  named.parentElement.hidden = !names;
  named.addEventListener("change", () => { names.style.display = named.checked ? "" : "none"; });
  show(whole);
}
