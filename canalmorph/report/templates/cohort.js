"use strict";
(function () {
  var data = JSON.parse(document.getElementById("data").textContent);
  var STEP = 200;
  var shown = STEP;
  var sorting = { key: "case", down: false };
  var byId = function (id) { return document.getElementById(id); };

  data.rows.forEach(function (row) {
    row.flags = row.warnings.concat(row.reason ? [row.reason] : []);
    row.words = [row.case, row.side, row.state, row.review || "", row.type || "", row.text || ""]
      .concat(row.flags).join(" ").toLowerCase();
  });

  function nameFlag(code) {
    return code.replace(/[_-]/g, " ").replace(/\blt20\b/, "LT+20").replace(/\blt\b/, "LT");
  }

  function addOptions(id, pairs) {
    pairs.forEach(function (pair) {
      var option = document.createElement("option");
      option.value = pair[0];
      option.textContent = pair[1];
      byId(id).append(option);
    });
  }

  function listDistinct(pick) {
    return Array.from(new Set(data.rows.flatMap(pick))).filter(Boolean).sort()
      .map(function (text) { return [text, text]; });
  }

  addOptions("state", listDistinct(function (row) { return [row.state]; }));
  addOptions("shape", Object.entries(data.shapes));
  addOptions("fixation", Object.entries(data.fixations));
  addOptions("flag", listDistinct(function (row) { return row.flags; }).map(function (pair) {
    return [pair[0], nameFlag(pair[0])];
  }));

  function isWanted(row) {
    var words = byId("search").value.toLowerCase().split(/\s+/);
    return words.every(function (word) { return row.words.includes(word); }) &&
      ["state", "side", "shape", "fixation"].every(function (id) {
        return !byId(id).value || row[id] === byId(id).value;
      }) && (!byId("flag").value || row.flags.includes(byId("flag").value));
  }

  function readKey(row) {
    if (sorting.key.startsWith("value")) {
      var text = (row.values || [])[Number(sorting.key.slice(5))];
      return text ? Number(text) : null;
    }
    if (sorting.key === "flags") { return row.flags.length; }
    return row[sorting.key] || null;
  }

  function compare(one, other) {
    var a = readKey(one), b = readKey(other);
    // What is missing stands last, whichever way the rest is sorted.
    if (a === null || b === null) { return (a === null) - (b === null); }
    var order = a < b ? -1 : Number(a > b);
    return sorting.down ? -order : order;
  }

  function addCell(line, content, name) {
    var cell = line.insertCell();
    if (name) { cell.className = name; }
    [].concat(content).forEach(function (part) { cell.append(part); });
    return cell;
  }

  function makeElement(tag, text, facts) {
    return Object.assign(document.createElement(tag), { textContent: text }, facts);
  }

  function makePicture(row) {
    if (!row.picture) { return ""; }
    return Object.assign(new Image(), {
      src: "data:image/jpeg;base64," + row.picture,
      alt: row.side + " femur, projection"
    });
  }

  function addRow(row) {
    var line = byId("rows").insertRow();
    addCell(line, makePicture(row));
    var seen = makeElement("span", row.review || "", { className: "small" });
    addCell(line, [makeElement("code", row.case)].concat(row.pages.map(function (page) {
      return makeElement("a", page.split(".").pop() === "pdf" ? "PDF" : "report", {
        href: "cases/" + row.case + "/" + page
      });
    }), row.review ? seen : []));
    addCell(line, row.side);
    if (row.values) {
      addCell(line, [row.type, makeElement("span", row.letter, { className: "small" })]);
      row.values.forEach(function (value, index) {
        var doubt = row.doubts[index], bound = row.bounds[index];
        var unknown = bound ? "at least " + bound : "–";
        addCell(line, value ? [value, makeElement("span", doubt ? " ± " + doubt : "")] : unknown, "number");
      });
      addCell(line, data.fixations[row.fixation] || "");
    } else {
      line.className = "refused";
      addCell(line, "not measured: " + row.text).colSpan = data.numbers.length + 2;
    }
    addCell(line, row.flags.map(function (code) {
      return makeElement("span", nameFlag(code), { className: "flag", title: data.warnings[code] || "" });
    }));
  }

  function show() {
    var wanted = data.rows.filter(isWanted).sort(compare);
    byId("rows").replaceChildren();
    wanted.slice(0, shown).forEach(addRow);
    byId("more").hidden = wanted.length <= shown;
    byId("count").textContent = wanted.length + " of " + data.rows.length + " rows" +
      (wanted.length > shown ? ", the first " + shown + " shown" : "");
    document.querySelectorAll("th button").forEach(function (button) {
      var sorted = button.dataset.key === sorting.key;
      button.parentElement.setAttribute("aria-sort",
        sorted ? (sorting.down ? "descending" : "ascending") : "none");
    });
  }

  function showFromStart() { shown = STEP; show(); }

  byId("filters").addEventListener("input", showFromStart);
  byId("filters").addEventListener("submit", function (event) { event.preventDefault(); });
  byId("filters").addEventListener("reset", function () { setTimeout(showFromStart); });
  byId("more").addEventListener("click", function () { shown += STEP; show(); });
  document.querySelectorAll("th button").forEach(function (button) {
    button.addEventListener("click", function () {
      var key = button.dataset.key;
      sorting = { key: key, down: key === sorting.key && !sorting.down };
      showFromStart();
    });
  });
  show();
})();
