"use strict";
// The filter of a study's page. Without it the page shows everything; all words stand in the page.
(() => {
  const filter = document.getElementById("filter");
  if (!filter) return;
  const field = (name) => document.getElementById(`filter-${name}`);
  const grid = document.getElementById("grid");
  const shown = document.getElementById("shown");
  const rows = [...grid.querySelectorAll("tr[data-visit]")];
  // Each visit has a row in the grid and one in the list of visits.
  const twins = [...document.querySelectorAll("tr[data-visit]")].filter((row) => !grid.contains(row));
  const groups = document.querySelectorAll("tbody[data-subject]");
  let column = 0;

  function showColumn(chosen) {
    if (chosen === column) return;
    column = chosen;
    grid.classList.toggle("narrow", column > 0);
    for (const row of grid.rows) {
      if (row.classList.contains("subject")) continue;
      [...row.cells].forEach((cell, place) => { cell.hidden = column > 0 && place > 0 && place !== column; });
    }
  }

  function fits(row, subject, verdict) {
    if (!row.parentNode.dataset.subject.includes(subject)) return false;
    if (!verdict) return true;
    return column ? Boolean(row.cells[column].querySelector(`.${verdict}`)) : Boolean(row.querySelector(`td .${verdict}`));
  }

  function update() {
    showColumn(Number(field("fault").value));
    const subject = field("subject").value.trim().toLowerCase();
    const verdict = field("verdict").value;
    const left = new Set();
    for (const row of rows) {
      row.hidden = !fits(row, subject, verdict);
      if (!row.hidden) left.add(row.dataset.visit);
    }
    for (const row of twins) row.hidden = !left.has(row.dataset.visit);
    for (const group of groups) group.hidden = !group.querySelector("tr[data-visit]:not([hidden])");
    shown.textContent = shown.dataset.words.replace("{shown}", left.size).replace("{all}", rows.length);
    shown.classList.toggle("partly", left.size < rows.length || column > 0);
  }

  for (const name of ["subject", "verdict", "fault"]) field(name).addEventListener("input", update);
  field("all").addEventListener("click", () => {
    field("subject").value = "";
    field("verdict").value = "";
    field("fault").value = "0";
    update();
    field("subject").focus();
  });
  filter.hidden = false;
  update();
})();
