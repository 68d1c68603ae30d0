"use strict";
(function () {
  const form = document.getElementById("search");
  const box = document.getElementById("words");
  const tick = document.getElementById("superseded");
  const shown = document.getElementById("shown");
  const plain = (text) => text.normalize("NFKC").toLowerCase().replace(/\s+/g, " ").trim();
  const rows = Array.from(document.querySelectorAll("#register tbody tr"), (row) => ({
    row: row,
    text: plain(row.textContent),
    current: row.dataset.current === "yes",
  }));

  function search() {
    const words = plain(box.value).split(" ").filter(Boolean);
    let count = 0;
    for (const each of rows) {
      const fits =
        (tick.checked || each.current) && words.every((word) => each.text.includes(word));
      each.row.hidden = !fits;
      count += fits ? 1 : 0;
    }
    const hidden = count < rows.length ? ", " + (rows.length - count) + " hidden" : "";
    shown.textContent = count + " of " + rows.length + " dossiers shown" + hidden;
  }

  function fromAddress() {
    const match = /^#search=(.*)$/.exec(location.hash);
    if (match) {
      try {
        box.value = decodeURIComponent(match[1]);
      } catch (error) {
        box.value = match[1];
      }
    }
    search();
  }

  form.addEventListener("submit", (event) => event.preventDefault());
  box.addEventListener("input", search);
  tick.addEventListener("change", search);
  form.addEventListener("reset", () => setTimeout(search));
  window.addEventListener("hashchange", fromAddress);
  form.hidden = false;
  fromAddress();
})();
