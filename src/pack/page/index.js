"use strict";
(() => {
  const box = document.getElementById("search");
  const rows = [...document.querySelectorAll("tr[data-find]")];
  const count = document.getElementById("found");
  document.querySelectorAll(".script").forEach((part) => { part.hidden = false; });
  const only = document.getElementById("only");
  const look = () => {
    const wanted = box.value.trim().toLowerCase();
    let n = 0;
    for (const row of rows) {
      const fits = row.dataset.find.includes(wanted) && !(only.checked && row.dataset.fine === "yes");
      row.hidden = !fits;
      if (fits) n += 1;
    }
    count.textContent = `${n} / ${rows.length}`;
  };
  box.addEventListener("input", look);
  only.addEventListener("change", look);
  look();
})();
