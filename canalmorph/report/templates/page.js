"use strict";
(function () {
  const root = document.documentElement;
  root.classList.add("live");

  // One slider a side; a level set on one moves the other to its nearest section.
  const sides = Array.from(document.querySelectorAll(".through")).map(function (panel) {
    const cuts = Array.from(panel.querySelectorAll(".cut"));
    const films = Array.from(panel.closest(".pictures").querySelectorAll("svg[data-zero-px]"));
    const side = {
      panel: panel,
      cuts: cuts,
      levels: cuts.map(function (cut) { return Number(cut.dataset.level); }),
      slider: panel.querySelector("input[type=range]"),
      films: films
    };
    side.slider.addEventListener("input", function () {
      setLevel(side.levels[Number(side.slider.value)], side);
    });
    panel.querySelectorAll("button[data-level]").forEach(function (button) {
      button.addEventListener("click", function () { setLevel(Number(button.dataset.level), side); });
    });
    films.forEach(function (film) {
      film.addEventListener("pointerdown", function (event) { followPointer(event, film, side); });
      film.addEventListener("pointermove", function (event) {
        if (event.buttons & 1) { followPointer(event, film, side); }
      });
    });
    return side;
  });

  function followPointer(event, film, side) {
    const box = film.getBoundingClientRect();
    const y = (event.clientY - box.top) * film.viewBox.baseVal.height / box.height;
    setLevel((Number(film.dataset.zeroPx) - y) / Number(film.dataset.pxPerMm), side);
  }

  function findNearest(levels, level) {
    return levels.reduce(function (best, one, index) {
      return Math.abs(one - level) < Math.abs(levels[best] - level) ? index : best;
    }, 0);
  }

  function setLevel(level, origin) {
    const together = origin.panel.querySelector("input[type=checkbox]");
    sides.forEach(function (side) {
      if (side === origin || !together || together.checked) {
        show(side, findNearest(side.levels, level));
      }
    });
  }

  function show(side, index) {
    side.cuts.forEach(function (cut, place) { cut.hidden = place !== index; });
    const cut = side.cuts[index];
    const readings = JSON.parse(cut.dataset.readings);
    side.panel.querySelectorAll("td").forEach(function (cell, place) {
      cell.textContent = readings[place];
    });
    side.panel.querySelector(".doubt").textContent = cut.dataset.doubt
      ? "In doubt: " + cut.dataset.doubt + "." : "";
    side.panel.querySelector("output").textContent = cut.dataset.label;
    side.slider.value = String(index);
    side.slider.setAttribute("aria-valuetext", cut.dataset.label + ", canal ML " + readings[2]);
    side.panel.querySelectorAll("button[data-level]").forEach(function (button) {
      const here = findNearest(side.levels, Number(button.dataset.level)) === index;
      button.setAttribute("aria-pressed", String(here));
    });
    side.films.forEach(function (film) {
      const dy = -side.levels[index] * Number(film.dataset.pxPerMm);
      film.querySelectorAll("g[id*='-cursor-']").forEach(function (line) {
        line.setAttribute("transform", "translate(0 " + dy.toFixed(2) + ")");
      });
    });
  }

  // The checkboxes of both sides are one.
  const boxes = document.querySelectorAll(".through input[type=checkbox]");
  boxes.forEach(function (box) {
    box.addEventListener("change", function () {
      boxes.forEach(function (other) { other.checked = box.checked; });
    });
  });

  sides.forEach(function (side) { show(side, Number(side.slider.value)); });

  // Paper shows what is folded on screen.
  const folded = [];
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details:not([open])").forEach(function (part) {
      part.open = true;
      folded.push(part);
    });
  });
  window.addEventListener("afterprint", function () {
    folded.splice(0).forEach(function (part) { part.open = false; });
  });
})();
