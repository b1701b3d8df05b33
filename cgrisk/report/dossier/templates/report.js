"use strict";
(function () {
  const all = (root, what) => Array.from(root.querySelectorAll(what));
  // Sortable tables: a button in each heading; the value of a cell goes before its text.
  for (const table of all(document, "table")) {
    const body = table.tBodies[0];
    if (!body || body.rows.length < 3) continue;
    all(table, "thead th").forEach((head, place) => {
      const button = document.createElement("button");
      button.type = "button";
      while (head.firstChild) button.appendChild(head.firstChild);
      head.appendChild(button);
      button.addEventListener("click", () => {
        const up = head.getAttribute("aria-sort") !== "ascending";
        all(table, "thead th").forEach((other) => other.removeAttribute("aria-sort"));
        head.setAttribute("aria-sort", up ? "ascending" : "descending");
        const key = (row) => {
          const cell = row.cells[place];
          return cell.dataset.v === undefined ? null : Number(cell.dataset.v);
        };
        const rows = Array.from(body.rows);
        rows.sort((a, b) => {
          const x = key(a), y = key(b);
          let order;
          if (x !== null && y !== null) order = x - y;
          else if (x === null && y === null)
            order = a.cells[place].textContent.localeCompare(b.cells[place].textContent, "en", { numeric: true });
          else return x === null ? 1 : -1;
          return up ? order : -order;
        });
        rows.forEach((row) => body.appendChild(row));
      });
    });
  }
  // Toggles: what a section's rows and marks can be picked by.
  const names = { side: "Side", phase: "Phase", reading: "Planned", kind: "Kind" };
  const hides = (item, picked) =>
    Object.keys(picked).some((key) => picked[key] !== null && item.dataset[key] !== undefined && item.dataset[key] !== picked[key]);
  for (const section of all(document, "main > section")) {
    const picked = {};
    const items = all(section, "tr[data-side],tr[data-phase],tr[data-reading],tr[data-kind],.mark");
    const box = document.createElement("div");
    const apply = () => {
      for (const item of items) {
        const out = hides(item, picked);
        if (item.tagName === "TR") item.hidden = out;
        else item.classList.toggle("off", out);
      }
    };
    for (const key of Object.keys(names)) {
      const found = Array.from(new Set(items.map((item) => item.dataset[key]).filter((value) => value)));
      if (found.length < 2 || found.length > 16) continue;
      picked[key] = null;
      const set = document.createElement("fieldset");
      const legend = document.createElement("legend");
      legend.textContent = names[key];
      set.appendChild(legend);
      for (const value of [null, ...found]) {
        const button = document.createElement("button");
        button.type = "button";
        button.textContent = value === null ? "all" : value;
        button.setAttribute("aria-pressed", String(value === null));
        button.addEventListener("click", () => {
          picked[key] = value;
          all(set, "button").forEach((other) => other.setAttribute("aria-pressed", String(other === button)));
          apply();
        });
        set.appendChild(button);
      }
      box.appendChild(set);
    }
    if (box.firstChild) section.insertBefore(box, section.children[1]);
  }
  // Marks tell value and interval on hover and focus; arrows go from one to the next.
  for (const figure of all(document, "figure")) {
    const marks = all(figure, ".mark");
    const readout = figure.querySelector(".readout");
    if (!marks.length || !readout) continue;
    readout.hidden = false;
    const quiet = "Point at the chart, or go to it with Tab and along it with the arrow keys.";
    readout.textContent = quiet;
    const text = (mark) => mark.querySelector("title").textContent;
    const own = marks.filter((mark, place) => !place || text(mark) !== text(marks[place - 1]));
    marks.forEach((mark) => {
      mark.addEventListener("mouseenter", () => { readout.textContent = text(mark); });
      mark.addEventListener("mouseleave", () => { readout.textContent = quiet; });
    });
    own.forEach((mark, place) => {
      mark.setAttribute("tabindex", place ? "-1" : "0");
      mark.setAttribute("role", "img");
      mark.setAttribute("aria-label", text(mark));
      mark.addEventListener("focus", () => { readout.textContent = text(mark); });
      mark.addEventListener("keydown", (event) => {
        const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
        if (!step) return;
        event.preventDefault();
        let next = place + step;
        while (own[next] && own[next].classList.contains("off")) next += step;
        if (!own[next]) return;
        mark.setAttribute("tabindex", "-1");
        own[next].setAttribute("tabindex", "0");
        own[next].focus();
      });
    });
  }
})();
