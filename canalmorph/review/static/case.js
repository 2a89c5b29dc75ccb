// One case: pictures with marks to drag, the numbers that follow, and what is said of it.
import { ACTION_WORDS, ask, make, Refused, say, STATE_WORDS, words } from "./talk.js";
import { Greys, loadFilm, makeHandle, tracePath, unpackValues, View } from "./view.js";

const find = (id) => document.querySelector("#" + id);
const query = new URLSearchParams(location.search);
const caseId = query.get("id") || "";
const path = "/api/cases/" + encodeURIComponent(caseId);
const browser = crypto.randomUUID();
// Sections this near to a drawn outline show it.
const OUTLINE_NEAR_MM = 1.2;
const views = { ap: new View(find("ap")), lateral: new View(find("lateral")), section: new View(find("section")) };
const greys = { ap: new Greys(views.ap), lateral: new Greys(views.lateral), section: new Greys(views.section) };
const films = new Map();
let told = null;
let place = 0;
let level = 0;
let busy = 0;
let sectionAsked = 0;
let shownSection = null;

const side = () => told.sides[place];

// ---- what the server says ----

async function load() {
  const asked = new URLSearchParams(query);
  asked.delete("id");
  show(await ask(path + "?brief=1&" + asked));
  level = 0;
  await showSide();
  if (told.is_brief) { complete(); }
}

function show(next) {
  told = { before: told ? told.before : "", after: told ? told.after : "", ...next };
  delete document.body.dataset.complete;
  place = Math.min(place, Math.max(0, told.sides.length - 1));
  document.title = `Case ${told.case}`;
  find("title").textContent = `Case ${told.case}`;
  find("who").replaceChildren(...Object.entries(told.who).map(([name, fact]) =>
    make("div", {}, make("dt", {}, name), make("dd", {}, fact))));
  find("state").textContent = told.review.length ? told.review.join(" ") : `State: ${STATE_WORDS[told.state]}.`;
  find("report").href = `/cases/${told.case}/report.html`;
  for (const way of ["before", "after"]) {
    const there = new URLSearchParams(query);
    there.set("id", told[way]);
    if (told[way]) { find(way).href = "/case?" + there; } else { find(way).removeAttribute("href"); }
  }
  const back = new URLSearchParams(query);
  back.delete("id");
  find("list").href = back.size ? "/?" + back : "/";
  find("fixed").hidden = !told.why_fixed;
  find("fixed").textContent = told.why_fixed;
  find("unfit").hidden = told.unfit.length === 0;
  find("unfit").replaceChildren(...told.unfit.map((one) => make("li", {}, `The mark “${one.words}” no longer fits: ${one.reason}`)));
  find("refusals").replaceChildren(...told.refusals.map((one) => make("li", {}, one)));
  find("log").replaceChildren(...told.log.map((one) => make("li", { value: one.version },
    `${one.at.slice(0, 16).replace("T", " ")} ${one.by || "nobody named"} ${ACTION_WORDS[one.action]}${one.about ? ": " + one.about : ""}${one.reason ? " – " + one.reason : ""}`)));
  find("marks").replaceChildren(...told.marks.map((one, index) =>
    make("option", { value: index }, `${one.words}${one.side ? ` (${one.side})` : ""}${one.place ? " " + one.place : ""}`)));
  for (const id of ["withdraw", "marks"]) { find(id).hidden = told.marks.length === 0; }
  document.querySelector("[data-do=reopen]").disabled = !["signed", "rejected"].includes(told.state);
  find("undo").disabled = !told.log.some((one) => ["correct", "withdraw"].includes(one.action));
  for (const id of ["tool", "plane", "drop", "swap"]) { find(id).disabled = !told.can_correct; }
  find("sides").replaceChildren(...told.sides.map((one, index) => {
    const button = make("button", { type: "button", "aria-pressed": String(index === place) }, one.side);
    button.addEventListener("click", () => { place = index; show(told); showSide(); });
    return button;
  }));
  showNumbers();
}

function showNumbers() {
  if (!told.sides.length) { return; }
  const one = side();
  find("type").textContent = `${one.side === "right" ? "Right" : "Left"} femur. ${one.shape} Fixation, for discussion: ${one.fixation}. ML and AP are those of ${one.plane.words}.`;
  find("warnings").replaceChildren(...one.doubts.map((doubt) => make("li", {}, doubt)));
  const row = (number) => make("tr", { class: number.changed ? "changed" : null, "data-column": number.column },
    make("th", { scope: "row", title: number.column }, number.name),
    make("td", { class: "number" }, number.automatic),
    make("td", { class: "number", title: number.reason }, number.now));
  find("numbers").replaceChildren(...one.numbers.filter((number) => number.key).map(row));
  const more = one.numbers.filter((number) => !number.key);
  find("more").replaceChildren(...more.map(row));
  find("n-more").textContent = String(more.length);
  find("more-box").hidden = more.length === 0;
  const chosen = one.plane.name === "hand" ? ["hand"] : [];
  find("plane").replaceChildren(...[...one.plane.choices, ...chosen].map((name) =>
    make("option", { value: name, selected: name === one.plane.name }, name)));
}

// ---- pictures ----

async function showSide() {
  if (!told.sides.length) { return; }
  const levels = side().levels_mm;
  find("slider").max = String(levels.length - 1);
  await Promise.all([showFilm("ap"), showFilm("lateral"), showSection()]);
  // For whoever waits: what is shown is of this version.
  document.body.dataset.shown = `${told.version} ${side().side}`;
}

async function showFilm(name) {
  const film = side().films[name];
  const view = views[name];
  if (!film) { view.svg.replaceChildren(); return; }
  const [low, high] = film.vertical_mm;
  view.place(film.across_mm, [-high, -low], side().signs[name]);
  drawFilm(name);
  if (!films.has(film.key)) { films.set(film.key, await loadFilm("/films/" + encodeURIComponent(film.key))); }
  if (side().films[name].key !== film.key) { return; }
  const { values, width, height } = films.get(film.key);
  greys[name].setValues(values, width, height);
  drawGreys(name);
}

// Films have greys of their own: the window is a share of theirs.
function drawGreys(name) {
  const width = Number(find("window").value);
  const middle = Number(find("grey").value);
  if (name === "section") { greys.section.draw(middle - width / 2, middle + width / 2); return; }
  const share = width / 2000;
  const centre = 127.5 + (middle - 750) / 2000 * 255;
  greys[name].draw(centre - 127.5 * share, centre + 127.5 * share);
}

function drawFilm(name) {
  const one = side();
  const view = views[name];
  const sign = one.signs[name];
  const axis = name === "ap" ? "ml" : "ap";
  const part = name === "ap" ? 0 : 1;
  const lines = [];
  if (find("outlines").checked) {
    for (const outline of ["outer", "canal"]) {
      for (const edge of one.edges[`${outline}_${axis}`]) {
        lines.push(make("path", { class: outline, d: tracePath(edge.map((x, row) => (x === null ? null : [sign * x, -one.levels_mm[row]])), false) }));
      }
    }
    const { y, height } = view.box;
    lines.push(make("line", { class: "axis", x1: 0, x2: 0, y1: y, y2: y + height }));
  }
  const { x, width } = view.box;
  find(`${name}-of`).textContent = one.films[name] && one.films[name].anew ? " from the kept CT" : "";
  lines.push(make("line", { class: "cursor", x1: x, x2: x + width, y1: -level, y2: -level, "data-cursor": name }));
  lines.push(make("text", { x: x + 3, y: view.box.y, dy: "1.3em" }, `${one.side[0].toUpperCase()} ${name === "ap" ? "AP" : "lateral"}`));
  lines.push(...one.drawn.flatMap((mark) => drawMark(view, mark, part, sign)));
  view.lines.replaceChildren(...lines);
  drawLandmarks(name, part, sign);
}

// A mark that no landmark shows, at its place and in words.
function drawMark(view, mark, part, sign) {
  if (mark.kind.endsWith("_outline") || mark.kind === "plane") { return []; }
  const [point] = mark.points_mm;
  const at = { x: sign * point[part], y: -point[2] };
  const kind = mark.state === "set" ? "spot" : "left";
  const { x, width } = view.box;
  const label = (from, up) => make("text", { class: kind, x: from, y: at.y - up }, mark.words);
  if (["lesser_trochanter", "isthmus"].includes(mark.kind)) {
    return [make("line", { class: kind, x1: x, x2: x + width, y1: at.y, y2: at.y }), label(x + 3, 2)];
  }
  if (mark.kind === "head") {
    return [make("circle", { class: kind, cx: at.x, cy: at.y, r: mark.radius_mm }), label(at.x - 14, 2)];
  }
  const arm = 3;
  const cross = `M${at.x - arm} ${at.y - arm}L${at.x + arm} ${at.y + arm}M${at.x - arm} ${at.y + arm}L${at.x + arm} ${at.y - arm}`;
  return [make("path", { class: kind, d: cross }), label(at.x + 5, 0)];
}

function drawLandmarks(name, part, sign) {
  const one = side();
  const view = views[name];
  const { x, width } = view.box;
  const made = [];
  const levelLine = (at, kind) => make("line", { class: kind, x1: x, x2: x + width, y1: at, y2: at });
  const circle = (head, kind) => make("circle", { class: kind, cx: sign * head[part], cy: -head[2], r: head[3] });
  for (const [key, now] of Object.entries(one.places)) {
    const found = one.found[key];
    if (key === "medial" || !found) { continue; }
    const moved = now && found.some((value, index) => Math.abs(value - now[index]) > 0.05);
    if (now && !moved) { continue; }
    if (key === "head") { made.push(circle(found, "found")); }
    else if (key === "neck") { made.push(make("circle", { class: "found", cx: sign * found[part], cy: -found[2], r: 2 })); }
    else { made.push(levelLine(-found[2], "found")); }
  }
  const active = find("tool").value === "marks" && told.can_correct;
  const add = (options) => made.push(makeHandle(view, { still: !active, ...options }));
  const grips = (at, grip, ...shapes) => [...shapes,
    make("circle", { class: "reach", cx: at.x, cy: at.y, r: 12 * grip }),
    make("circle", { class: "grip", cx: at.x, cy: at.y, r: 5 * grip })];
  const lineAt = (label, key, kind, edge) => {
    const now = one.places[key];
    if (!now) { return; }
    add({ name: `${label}, ${name}`, x: x + edge * width, y: -now[2], limits: "y",
      parts: (at, grip) => grips(at, grip, make("line", { class: "now", x1: x, x2: x + width, y1: at.y, y2: at.y }),
        make("text", { class: "end", x: x + width - 4 * grip, y: at.y - 3 * grip }, label)),
      onDrop: (at) => setMark({ kind, points_mm: [kind === "lesser_trochanter" ? apexAt(-at.y) : [0, 0, -at.y]] }) });
  };
  lineAt("lesser trochanter", "lesser_trochanter", "lesser_trochanter", 0.08);
  lineAt("isthmus", "isthmus", "isthmus", 0.08);
  if (!one.places.isthmus && active) {
    one.places.isthmus = null;
    const lowest = Math.min(...one.levels_mm) + 20;
    add({ name: `isthmus, ${name}`, x: x + 0.08 * width, y: -lowest, limits: "y",
      parts: (at, grip) => grips(at, grip, make("line", { class: "draft", x1: x, x2: x + 0.2 * width, y1: at.y, y2: at.y })),
      onDrop: (at) => setMark({ kind: "isthmus", points_mm: [[0, 0, -at.y]] }) });
  }
  const head = one.places.head;
  if (head) {
    const at = (point) => part === 0 ? [sign * point.x, head[1], -point.y] : [head[0], sign * point.x, -point.y];
    add({ name: `head centre, ${name}`, x: sign * head[part], y: -head[2],
      parts: (spot, grip) => grips(spot, grip, circle(head, "now")),
      onDrop: (point) => setMark({ kind: "head", points_mm: [at(point)], radius_mm: head[3] }) });
    add({ name: `head radius, ${name}`, x: sign * head[part] + head[3], y: -head[2], limits: "x",
      parts: (spot, grip) => grips(spot, grip),
      onDrop: (point) => setMark({ kind: "head", points_mm: [head.slice(0, 3)], radius_mm: Math.abs(point.x - sign * head[part]) }) });
    const neck = one.places.neck;
    if (neck) {
      made.push(make("line", { class: "now", x1: sign * neck[part], y1: -neck[2], x2: sign * head[part], y2: -head[2] }));
      add({ name: `neck middle, ${name}`, x: sign * neck[part], y: -neck[2],
        parts: (spot, grip) => grips(spot, grip),
        onDrop: (point) => setMark({ kind: "neck", points_mm: [part === 0 ? [sign * point.x, neck[1], -point.y] : [neck[0], sign * point.x, -point.y]] }) });
    }
  }
  view.over.replaceChildren(...made);
}

// The apex moves along the shaft with its level.
function apexAt(height) {
  const apex = side().apex || [0, 0, 0];
  return [apex[0], apex[1], height];
}

async function showSection() {
  const one = side();
  const row = nearest(level);
  level = one.levels_mm[row];
  find("slider").value = String(one.levels_mm.length - 1 - row);
  for (const name of ["ap", "lateral"]) {
    const cursor = views[name].lines.querySelector("[data-cursor]");
    if (cursor) { cursor.setAttribute("y1", -level); cursor.setAttribute("y2", -level); }
  }
  const mine = ++sectionAsked;
  if (!told.can_correct) {
    find("doubt").textContent = "No section is shown: the CT around this femur was not kept, or cannot be read by this version.";
    return;
  }
  const asked = new URLSearchParams({ side: one.side, level: String(level), axial: find("axial").checked ? "1" : "0" });
  let section;
  try {
    section = await ask(path + "/section?" + asked);
  } catch (error) {
    if (mine === sectionAsked) { fail(error); }
    return;
  }
  if (mine !== sectionAsked) { return; }
  shownSection = section;
  find("level").textContent = section.label;
  find("slider").setAttribute("aria-valuetext", section.label);
  views.section.place(section.across_mm, section.vertical_mm, one.signs.ap);
  greys.section.setValues(unpackValues(section.values), section.shape[1], section.shape[0]);
  drawGreys("section");
  drawSection();
  find("readings").replaceChildren(...(section.readings || []).map(([name, text]) =>
    make("tr", {}, make("th", { scope: "row" }, name), make("td", { class: "number" }, text))));
  find("doubt").textContent = section.doubt && section.doubt.length ? `In doubt: ${section.doubt.map(words).join(", ")}.` : "";
}

function drawSection() {
  if (!shownSection) { return; }
  const sign = side().signs.ap;
  const view = views.section;
  const lines = [];
  if (find("outlines").checked && shownSection.outer) {
    for (const outline of ["outer", "canal"]) {
      lines.push(make("path", { class: outline, d: tracePath(shownSection[outline].map(([x, y]) => (x === null ? null : [sign * x, y])), true) }));
    }
  }
  for (const mark of shownSection.axial ? [] : side().drawn) {
    const points = mark.points_mm.map((point) => [sign * point[0], point[1]]);
    const outline = mark.kind.endsWith("_outline");
    if (outline ? Math.abs(mark.points_mm[0][2] - shownSection.level_mm) > OUTLINE_NEAR_MM : mark.kind !== "plane") { continue; }
    lines.push(make("path", { class: "left", d: tracePath(points, outline) }),
      make("text", { class: "left", x: view.box.x + 2, y: view.box.y + 6 }, mark.words));
  }
  lines.push(...(shownSection.axial ? [] : drawDirections(view, sign)));
  view.lines.replaceChildren(...lines);
  drawPlane();
}

// Front and back, medial and lateral at the edges of the section; the side where a film has it.
function drawDirections(view, sign) {
  const { x, y, width, height } = view.box;
  const words = [["A", x + width / 2, y, "1.3em", "middle"], ["P", x + width / 2, y + height, "-0.5em", "middle"],
    ["med", sign > 0 ? x + width - 2 : x + 2, y + 0.62 * height, "0", sign > 0 ? "end" : "start"],
    ["lat", sign > 0 ? x + 2 : x + width - 2, y + 0.62 * height, "0", sign > 0 ? "start" : "end"],
    [side().side[0].toUpperCase(), x + 3, y, "1.3em", "start"]];
  return words.map(([word, at, from, dy, anchor]) =>
    make("text", { x: at, y: from, dy, "text-anchor": anchor }, word));
}

// The plane of ML is a line across the section; its end turns it.
function drawPlane() {
  const view = views.section;
  const sign = side().signs.ap;
  const made = [];
  if (!shownSection.axial) {
    const reach = 0.42 * view.box.width;
    const found = side().found.medial;
    const tilt = Math.atan2(found[1], found[0]);
    if (Math.abs(tilt) > 0.002) {
      made.push(make("line", { class: "found", x1: -reach * sign * Math.cos(tilt), y1: -reach * Math.sin(tilt), x2: reach * sign * Math.cos(tilt), y2: reach * Math.sin(tilt) }));
    }
    const line = make("line", { class: "now", x1: -sign * reach, y1: 0, x2: sign * reach, y2: 0 });
    made.push(line);
    made.push(makeHandle(view, {
      name: "plane of ML", x: sign * reach, y: 0, limits: "y",
      still: find("tool").value !== "marks" || !told.can_correct,
      parts: (at, grip) => [make("circle", { class: "reach", cx: at.x, cy: at.y, r: 12 * grip }), make("circle", { class: "grip", cx: at.x, cy: at.y, r: 5 * grip })],
      onMove: (at) => { line.setAttribute("y1", -at.y); line.setAttribute("y2", at.y); },
      onDrop: (at) => setMark({ kind: "plane", plane: "hand", points_mm: [[0, 0, 0], [reach, at.y, 0]] })
    }));
  }
  view.over.replaceChildren(...made);
}

function nearest(wanted) {
  const levels = side().levels_mm;
  return levels.reduce((best, one, row) => Math.abs(one - wanted) < Math.abs(levels[best] - wanted) ? row : best, 0);
}

// ---- what a person does ----

function fail(error) {
  find("error").hidden = false;
  find("error").textContent = error.message;
}

async function act(action, more = {}) {
  if (busy) { return false; }
  busy = 1;
  find("saying").textContent = "measuring …";
  find("error").hidden = true;
  const started = performance.now();
  try {
    show(await say(path + "/do", { action, version: told.version, by: find("by").value, reason: find("reason").value, ...more }));
    find("saying").textContent = `done in ${((performance.now() - started) / 1000).toFixed(1)} s`;
    return true;
  } catch (error) {
    find("saying").textContent = "";
    if (error instanceof Refused && error.status === 409) { tellOutrun(); } else { fail(error); }
    return false;
  } finally {
    busy = 0;
    await showSide();
    if (told.is_brief) { complete(); }
  }
}

// The numbers that take longest follow by themselves.
async function complete() {
  const version = told.version;
  try {
    const next = await ask(path);
    if (!busy && told.version === version && next.version === version) {
      show({ ...next, before: told.before, after: told.after });
      document.body.dataset.complete = String(version);
    }
  } catch (error) {
    fail(error);
  }
}

const setMark = (mark) => act("correct", { mark: { side: side().side, ...mark } });

function drawOutline(event) {
  const kind = find("tool").value;
  if (!kind.endsWith("_outline") || !shownSection || shownSection.axial) { return; }
  event.preventDefault();
  const view = views.section;
  view.svg.setPointerCapture(event.pointerId);
  const points = [];
  const draft = make("path", { class: "draft" });
  view.over.append(draft);
  const add = (moved) => {
    const { x, y } = view.toMm(moved);
    points.push([x, y]);
    draft.setAttribute("d", tracePath(points, false));
  };
  const end = () => {
    view.svg.removeEventListener("pointermove", add);
    draft.remove();
    if (points.length < 8) { fail(new Error("Draw all around the bone in one go.")); return; }
    const every = Math.ceil(points.length / 300);
    const sign = side().signs.ap;
    const kept = points.filter((point, index) => index % every === 0).map(([x, y]) => [sign * x, y, shownSection.level_mm]);
    setMark({ kind, place: shownSection.level_mm.toFixed(1), points_mm: kept });
  };
  add(event);
  view.svg.addEventListener("pointermove", add);
  view.svg.addEventListener("pointerup", end, { once: true });
}

function clickFilm(name, event) {
  const point = views[name].toMm(event);
  const tool = find("tool").value;
  const sign = side().signs[name];
  if (["metal", "fracture", "neck_fracture"].includes(tool)) {
    const spot = name === "ap" ? [sign * point.x, 0, -point.y] : [0, sign * point.x, -point.y];
    const mark = { kind: tool, points_mm: [spot] };
    setMark(tool === "metal" ? { ...mark, place: `${(-point.y).toFixed(1)} ${point.x.toFixed(1)}` } : mark);
    return;
  }
  level = -point.y;
  showSection();
}

function listen() {
  for (const name of ["ap", "lateral"]) {
    find(name).addEventListener("pointerdown", (event) => clickFilm(name, event));
    find(name).addEventListener("pointermove", (event) => {
      if (find("tool").value === "look" && event.buttons === 0 && event.shiftKey) { level = -views[name].toMm(event).y; showSection(); }
      else if (find("tool").value === "look" && (event.buttons & 1)) { level = -views[name].toMm(event).y; showSection(); }
    });
  }
  find("section").addEventListener("pointerdown", drawOutline);
  find("slider").addEventListener("input", () => {
    const levels = side().levels_mm;
    level = levels[levels.length - 1 - Number(find("slider").value)];
    showSection();
  });
  for (const id of ["window", "grey"]) {
    find(id).addEventListener("input", () => ["ap", "lateral", "section"].forEach(drawGreys));
  }
  find("zoom").addEventListener("input", () => Object.values(views).forEach((view) => view.setZoom(Number(find("zoom").value))));
  find("outlines").addEventListener("change", () => { drawFilm("ap"); drawFilm("lateral"); drawSection(); });
  find("axial").addEventListener("change", showSection);
  find("tool").addEventListener("change", () => { drawFilm("ap"); drawFilm("lateral"); drawSection(); });
  find("plane").addEventListener("change", () => {
    if (find("plane").value !== "hand") { setMark({ kind: "plane", plane: find("plane").value }); }
  });
  find("undo").addEventListener("click", () => act("undo"));
  find("withdraw").addEventListener("click", () => {
    const mark = told.marks[Number(find("marks").value)];
    if (mark) { act("withdraw", { slot: [mark.kind, mark.side || "", mark.place] }); }
  });
  find("drop").addEventListener("click", () => setMark({ kind: "drop_side" }));
  find("swap").addEventListener("click", () => act("correct", { mark: { kind: "swap_sides" } }));
  for (const button of document.querySelectorAll("[data-do]")) {
    button.addEventListener("click", async () => {
      if (await act(button.dataset.do)) { find("reason").value = ""; }
    });
  }
  find("say").addEventListener("submit", (event) => event.preventDefault());
  find("by").value = sessionStorage.getItem("by") || "";
  find("by").addEventListener("input", () => sessionStorage.setItem("by", find("by").value));
  document.addEventListener("keydown", (event) => {
    if (event.target.matches("input, select, textarea") || event.ctrlKey || event.altKey || event.metaKey) { return; }
    const keys = { u: () => find("undo").click(), o: () => find("outlines").click(),
      n: () => find("after").click(), p: () => find("before").click() };
    if (keys[event.key]) { keys[event.key](); }
  });
}

function tellOutrun() {
  const button = make("button", { type: "button" }, "Load it again");
  button.addEventListener("click", () => location.reload());
  find("others").hidden = false;
  find("others").replaceChildren("Somebody else changed this case in the meantime. What you see is not what holds. ", button);
}

// Who else looks at the case, and whether it was changed meanwhile.
async function watch() {
  try {
    const seen = await say(path + "/watch", { browser });
    if (told && seen.version !== told.version && !busy) { tellOutrun(); return; }
    find("others").hidden = seen.others === 0;
    const where = seen.others === 1 ? "another window" : `${seen.others} other windows`;
    find("others").textContent = `This case is open in ${where}, too: whoever is second to change it is told.`;
  } catch (error) {
    fail(error);
  }
}

listen();
load().then(watch).catch(fail);
setInterval(watch, 5000);
