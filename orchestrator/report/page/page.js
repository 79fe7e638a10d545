"use strict";
// Sorting and filtering of the matrix, and opening of details. The page is whole without it.
(() => {
  const table = document.getElementById("matrix-table");
  const form = document.getElementById("matrix-filter");
  const count = document.getElementById("matrix-count");
  const rows = table ? [...table.tBodies[0].rows] : [];
  const heads = table ? [...table.tHead.rows[0].cells] : [];

  // A level that the row above has too is set back; after sorting or filtering that is another row.
  function setBackRepeated() {
    let above = null;
    for (const row of table.tBodies[0].rows) {
      if (row.hidden) continue;
      let same = above !== null;
      for (const [place, cell] of [...row.cells].entries()) {
        if (!cell.classList.contains("level")) break;
        same = same && above.cells[place].textContent === cell.textContent;
        cell.classList.toggle("same", same);
      }
      above = row;
    }
  }

  function sortBy(column) {
    const head = heads[column];
    const rising = head.getAttribute("aria-sort") !== "ascending";
    for (const other of heads) other.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", rising ? "ascending" : "descending");
    const value = (row) => Number(row.cells[column].dataset.v);
    const sorted = [...rows].sort((a, b) => (rising ? value(a) - value(b) : value(b) - value(a)));
    // What was not measured has no place in an order: it goes last both ways.
    table.tBodies[0].append(...sorted.filter((row) => value(row) >= 0), ...sorted.filter((row) => value(row) < 0));
    setBackRepeated();
  }

  function filter() {
    const wanted = new Map();
    const across = new Map();
    for (const box of form.querySelectorAll("input")) {
      if (box.dataset.across) across.set(Number(box.dataset.across), box.checked);
      else {
        if (!wanted.has(box.dataset.column)) wanted.set(box.dataset.column, new Set());
        if (box.checked) wanted.get(box.dataset.column).add(box.value);
      }
    }
    let left = 0;
    for (const row of rows) {
      row.hidden = ![...wanted].every(([column, levels]) => levels.has(row.cells[column].dataset.v));
      left += row.hidden ? 0 : 1;
      for (const [column, show] of across) row.cells[column].hidden = !show;
    }
    for (const [column, show] of across) heads[column].hidden = !show;
    count.textContent = `${left} of ${rows.length} rows shown`;
    setBackRepeated();
  }

  function openTarget() {
    const target = location.hash ? document.getElementById(decodeURIComponent(location.hash.slice(1))) : null;
    if (target instanceof HTMLDetailsElement) target.open = true;
  }

  if (table) {
    for (const [column, head] of heads.entries()) {
      const text = head.querySelector(".sorter");
      const button = document.createElement("button");
      button.type = "button";
      button.className = "sorter";
      button.append(...text.childNodes);
      button.addEventListener("click", () => sortBy(column));
      text.replaceWith(button);
    }
    form.hidden = false;
    form.addEventListener("change", filter);
    form.addEventListener("reset", () => setTimeout(filter));
    form.addEventListener("submit", (event) => event.preventDefault());
    filter();
  }
  for (const tools of document.querySelectorAll(".tools")) {
    tools.hidden = false;
    tools.addEventListener("click", (event) => {
      const which = event.target.dataset.open;
      if (which) for (const one of tools.parentElement.querySelectorAll("details")) one.open = which === "all";
    });
  }
  addEventListener("hashchange", openTarget);
  openTarget();
  // On paper nothing can be opened: a few closed cells are opened for the printer and closed again. Many would make a
  // book; then the reader opens what shall be printed.
  let closed = [];
  addEventListener("beforeprint", () => {
    closed = [...document.querySelectorAll("details:not([open])")];
    if (closed.length > 12) closed = [];
    for (const one of closed) one.open = true;
  });
  addEventListener("afterprint", () => closed.forEach((one) => { one.open = false; }));
})();
