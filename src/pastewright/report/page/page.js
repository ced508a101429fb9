// Sifts the table of pads by a word and by "needs a look".
const box = document.getElementById("find");
const only = document.getElementById("only");
const rows = [...document.querySelectorAll("#pads tbody tr")];
function sift() {
  const word = box.value.toLowerCase();
  for (const row of rows) {
    row.hidden = (word && !row.textContent.toLowerCase().includes(word)) || (only.checked && !row.dataset.look);
  }
}
box.addEventListener("input", sift);
only.addEventListener("change", sift);
