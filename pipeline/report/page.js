"use strict";
(() => {
  const table = document.querySelector("table.list");
  const tools = document.getElementById("tools");
  if (!table || !tools) return;
  const rows = [...table.querySelectorAll("tbody")];
  const [depot, order, words] = ["depot", "order", "words"].map((name) => document.getElementById(name));
  const said = document.getElementById("shown");
  for (const name of [...new Set(rows.map((row) => row.dataset.depot))].sort()) {
    const choice = document.createElement("option");
    choice.value = choice.textContent = name;
    depot.append(choice);
  }
  const keys = {
    place: (a, b) => a.dataset.place - b.dataset.place,
    chance: (a, b) => b.dataset.chance - a.dataset.chance || a.dataset.place - b.dataset.place,
    vehicle: (a, b) => (a.dataset.unit < b.dataset.unit ? -1 : a.dataset.unit > b.dataset.unit ? 1 : a.dataset.place - b.dataset.place),
    window: (a, b) => (a.dataset.window < b.dataset.window ? -1 : a.dataset.window > b.dataset.window ? 1 : a.dataset.place - b.dataset.place),
  };
  const show = () => {
    const wanted = words.value.trim().toLowerCase();
    let count = 0;
    for (const row of rows) {
      const fits = (!depot.value || row.dataset.depot === depot.value)
        && (!wanted || row.textContent.toLowerCase().includes(wanted));
      row.hidden = !fits;
      if (fits) count += 1;
    }
    said.textContent = `${count} of ${rows.length} rows shown`;
  };
  depot.addEventListener("change", show);
  words.addEventListener("input", show);
  order.addEventListener("change", () => {
    rows.sort(keys[order.value]);
    table.append(...rows);
  });
  tools.hidden = false;
  show();
})();
