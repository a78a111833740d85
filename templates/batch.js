"use strict";
(() => {
  document.documentElement.classList.add("scripted");
  const table = document.getElementById("list");
  if (!table) return;
  const body = table.tBodies[0];
  const rows = Array.from(body.rows);
  const heads = Array.from(table.tHead.rows[0].cells);
  const keyOf = (row, column) => row.cells[column].dataset.key ?? "";
  const compare = (a, b) => {
    if (a === b) return 0;
    if (a === "") return 1;
    if (b === "") return -1;
    const [x, y] = [Number(a), Number(b)];
    return Number.isNaN(x) || Number.isNaN(y) ? a.localeCompare(b, undefined, { numeric: true }) : x - y;
  };
  heads.forEach((head, column) => {
    if (!rows.length || rows[0].cells[column].dataset.key === undefined) return;
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const down = head.getAttribute("aria-sort") === "ascending";
      heads.forEach(h => h.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      const sorted = rows
        .map((row, place) => ({ row, place, key: keyOf(row, column) }))
        .sort((a, b) => {
          if (a.key === "" || b.key === "") return compare(a.key, b.key) || a.place - b.place;
          return (down ? -1 : 1) * compare(a.key, b.key) || a.place - b.place;
        });
      body.append(...sorted.map(s => s.row));
    });
  });
  const sieve = document.getElementById("sieve");
  const count = document.getElementById("count");
  const texts = rows.map(row => (row.cells[0].textContent + " " + row.querySelector("b").title).toLowerCase());
  sieve.addEventListener("input", () => {
    const wanted = sieve.value.trim().toLowerCase();
    let shown = 0;
    rows.forEach((row, i) => {
      row.hidden = !texts[i].includes(wanted);
      shown += row.hidden ? 0 : 1;
    });
    count.textContent = wanted ? shown + " of " + rows.length : "";
  });
})();
