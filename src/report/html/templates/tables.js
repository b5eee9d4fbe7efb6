"use strict";
// Tables that sort by a click on a heading, and a search over the site-years.
(() => {
  const number = (text) => {
    const found = text.replace("−", "-").match(/[+-]?\d+(\.\d+)?/);
    return found ? Number(found[0]) : -Infinity;
  };
  for (const table of document.querySelectorAll("table.sortable")) {
    [...table.tHead.rows[0].cells].forEach((heading, column) => {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = heading.textContent;
      heading.replaceChildren(button);
      button.addEventListener("click", () => {
        const rising = heading.getAttribute("aria-sort") !== "ascending";
        for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
        heading.setAttribute("aria-sort", rising ? "ascending" : "descending");
        const byNumber = heading.classList.contains("n");
        const key = (row) => row.cells[column].textContent.trim();
        const compare = (one, other) => (byNumber ? number(key(one)) - number(key(other)) : key(one).localeCompare(key(other)));
        table.tBodies[0].append(...[...table.tBodies[0].rows].sort((one, other) => (rising ? compare(one, other) : compare(other, one))));
      });
    });
  }
  const find = document.getElementById("find");
  const rows = [...document.querySelectorAll("#fields tbody tr")].map((row) => [row, row.textContent.toLowerCase()]);
  find.closest("p").hidden = false;
  find.addEventListener("input", () => {
    const wanted = find.value.trim().toLowerCase();
    let shown = 0;
    for (const [row, text] of rows) {
      row.hidden = !text.includes(wanted);
      shown += row.hidden ? 0 : 1;
    }
    document.getElementById("found").textContent = wanted ? `${shown} of ${rows.length}` : "";
  });
})();
