"use strict";
(() => {
  const root = document.documentElement;
  root.classList.add("scripted");
  const us = () => document.getElementById("units-us").checked;
  const number = text => {
    const value = parseFloat(text.replace("\u2212", "-"));
    return Number.isFinite(value) ? value : null;
  };
  const shownTable = figure =>
    figure.querySelector(us() ? "details .us table" : "details .si table") || figure.querySelector("details table");
  const cells = table => Array.from(table.tBodies[0].rows, row => Array.from(row.cells, c => c.textContent.trim()));
  const heads = table => Array.from(table.tHead.rows[0].cells, c => c.textContent.trim());

  // Table as text: a cell that a spreadsheet would run as a formula gets an apostrophe.
  const plain = text => text.replace(/\u2212/g, "-").replace(/\u2013/g, "").replace(/\u00a0/g, " ");
  const guarded = text => (/^[=+@\t\r]/.test(text) || (/^-/.test(text) && number(text) === null) ? "'" + text : text);
  const quoted = text => (/[",\n\r]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text);
  const asText = (table, separator, quote) =>
    [heads(table), ...cells(table)]
      .map(row => row.map(c => quote(guarded(plain(c)))).join(separator))
      .join("\r\n") + "\r\n";

  for (const details of document.querySelectorAll("figure details")) {
    const figure = details.closest("figure");
    const bar = document.createElement("p");
    const copy = document.createElement("button");
    copy.textContent = "Copy table";
    copy.type = "button";
    const said = document.createElement("span");
    said.setAttribute("role", "status");
    copy.addEventListener("click", () => {
      const text = asText(shownTable(figure), "\t", t => t.replace(/[\t\r\n]/g, " "));
      const area = document.createElement("textarea");
      area.value = text;
      area.className = "vh";
      document.body.append(area);
      area.select();
      const done = document.execCommand("copy");
      area.remove();
      copy.focus();
      said.textContent = done ? "Copied." : "Could not copy.";
    });
    const save = document.createElement("button");
    save.textContent = "Save as CSV";
    save.type = "button";
    save.addEventListener("click", () => {
      const text = "\ufeff" + asText(shownTable(figure), ",", quoted);
      const link = document.createElement("a");
      link.href = URL.createObjectURL(new Blob([text], { type: "text/csv;charset=utf-8" }));
      link.download = figure.id + (us() ? "-us" : "") + ".csv";
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 1000);
    });
    bar.append(copy, save, said);
    details.querySelector("summary").after(bar);
  }

  const refreshers = [];
  const layersOf = (figure, key) =>
    Array.from(figure.querySelectorAll("[data-layer]")).filter(g => g.dataset.layer === key);
  const show = (box, on) => {
    box.checked = on;
    for (const g of layersOf(box.closest("figure"), box.dataset.toggle)) g.toggleAttribute("hidden", !on);
  };
  for (const box of document.querySelectorAll("[data-toggle]")) {
    box.addEventListener("change", () => {
      show(box, box.checked);
      refreshers.forEach(f => f());
    });
  }
  for (const picker of document.querySelectorAll("[data-picker]")) {
    picker.addEventListener("change", () => {
      for (const box of document.querySelectorAll('[data-toggle^="step"]')) {
        show(box, picker.value === "" || box.dataset.toggle === picker.value);
      }
      refreshers.forEach(f => f());
    });
  }

  // Reading off: the numbers are those of the table behind the plot.
  for (const figure of document.querySelectorAll("figure[data-read]")) {
    const how = JSON.parse(figure.dataset.read);
    const svg = figure.querySelector(".plot svg");
    const place = (v, [from, to, a, b]) => a + ((v - from) / (to - from)) * (b - a);
    const si = figure.querySelector("details .si table") || figure.querySelector("details table");
    let all = null;
    let points = [];
    let at = 0;
    const load = () => {
      all = [];
      const rows = cells(si);
      for (const [column, key] of how.yc) {
        rows.forEach((row, r) => {
          const x = number(row[how.xc]);
          const y = number(row[column]);
          if (x === null || y === null) return;
          all.push({ r, layer: how.by ? how.by[1] + row[how.by[0]] : key, px: place(x, how.x), py: place(y, how.y) });
        });
      }
      if (!how.by) all.sort((a, b) => a.px - b.px);
    };
    const visible = layer => layer === "" || layersOf(figure, layer).some(g => !g.hasAttribute("hidden"));
    const ring = document.createElementNS("http://www.w3.org/2000/svg", "circle");
    ring.setAttribute("r", "70");
    ring.setAttribute("class", "cursor");
    ring.setAttribute("visibility", "hidden");
    svg.append(ring);
    const bar = document.createElement("div");
    bar.className = "reader";
    const slider = document.createElement("input");
    slider.type = "range";
    slider.min = "0";
    slider.step = "1";
    slider.value = "0";
    slider.setAttribute("aria-label", "Read values off: " + figure.querySelector("h3").textContent);
    const out = document.createElement("output");
    out.textContent = "Point at the plot, or use the slider and arrow keys, to read values off.";
    bar.append(slider, out);
    figure.querySelector(".plot").after(bar);
    const words = r => {
      const table = shownTable(figure);
      const names = heads(table);
      return Array.from(table.tBodies[0].rows[r].cells, c => c.textContent.trim())
        .map((text, c) => {
          if (text === "" || text === "\u2013") return "";
          const cut = names[c].lastIndexOf(", ");
          const unit = cut > 0 && number(text) !== null && !/,.*,/.test(names[c].slice(cut)) ? names[c].slice(cut + 2) : "";
          const name = unit ? names[c].slice(0, cut) : names[c];
          return name + " " + text + (unit ? "\u00a0" + unit : "");
        })
        .filter(Boolean)
        .join(" · ");
    };
    const tell = () => {
      const p = points[at];
      if (!p) return;
      ring.setAttribute("cx", p.px.toFixed(0));
      ring.setAttribute("cy", p.py.toFixed(0));
      ring.setAttribute("visibility", "visible");
      out.textContent = words(p.r);
      slider.setAttribute("aria-valuetext", out.textContent);
    };
    const refresh = () => {
      if (!all) load();
      points = all.filter(p => visible(p.layer));
      slider.max = String(Math.max(points.length - 1, 0));
      at = Math.min(at, Math.max(points.length - 1, 0));
      if (ring.getAttribute("visibility") === "visible") tell();
    };
    refreshers.push(() => all && refresh());
    slider.addEventListener("focus", refresh);
    slider.addEventListener("input", () => {
      refresh();
      at = Number(slider.value);
      tell();
    });
    const nearest = event => {
      if (!all) refresh();
      const box = svg.getBoundingClientRect();
      const k = svg.viewBox.baseVal.width / box.width;
      const x = (event.clientX - box.left) * k;
      const y = (event.clientY - box.top) * k;
      let best = Infinity;
      points.forEach((p, i) => {
        const d = (p.px - x) ** 2 + (p.py - y) ** 2;
        if (d < best) {
          best = d;
          at = i;
        }
      });
      slider.value = String(at);
      tell();
    };
    svg.addEventListener("pointermove", nearest);
    svg.addEventListener("pointerdown", nearest);
    for (const radio of document.getElementsByName("units")) radio.addEventListener("change", () => all && refresh());
  }
})();
