// The list of cases: a page of rows, filters and order in the address, keys to move.
import { ask, make, say, STATE_WORDS, words } from "./talk.js";

const form = document.querySelector("#filters");
const body = document.querySelector("#rows");
let page = 0;
let total = 0;
let perPage = 50;
let asked = 0;

function readQuery() {
  const query = new URLSearchParams();
  for (const [name, value] of new FormData(form)) {
    if (value) { query.set(name, value); }
  }
  if (page) { query.set("page", String(page)); }
  return query;
}

function restore() {
  const query = new URLSearchParams(location.search);
  for (const part of form.elements) {
    if (part.type === "checkbox") { part.checked = query.get(part.name) === part.value; }
    else if (part.name === "flag" && query.get("flag")) {
      part.append(make("option", { value: query.get("flag") }, words(query.get("flag"))));
      part.value = query.get("flag");
    } else if (query.get(part.name)) { part.value = query.get(part.name); }
  }
  page = Number(query.get("page") || 0);
}

async function show(focusFirst = false) {
  const mine = ++asked;
  const query = readQuery();
  history.replaceState(null, "", query.size ? "/?" + query : "/");
  let told;
  try {
    told = await ask("/api/cases?" + query);
  } catch (error) {
    document.querySelector("#counts").textContent = error.message;
    return;
  }
  if (mine !== asked) { return; }
  total = told.total;
  perPage = told.page_rows;
  const counts = Object.entries(STATE_WORDS).map(([state, name]) => `${told.counts[state] || 0} ${name}`);
  document.querySelector("#counts").textContent = counts.join(" · ");
  listFlags(told.flags);
  body.replaceChildren(...told.rows.map((row) => makeRow(row, query)));
  document.querySelector("#nothing").hidden = told.rows.length > 0;
  const first = page * perPage;
  document.querySelector("#where").textContent = total
    ? `${first + 1} to ${first + told.rows.length} of ${total}` : "none";
  document.querySelector("#back").disabled = page === 0;
  document.querySelector("#on").disabled = first + told.rows.length >= total;
  if (focusFirst) { focusRow(0); }
}

function listFlags(flags) {
  const list = form.elements.flag;
  const chosen = list.value;
  const options = ["", ...new Set([...flags, chosen].filter(Boolean))];
  list.replaceChildren(...options.map((flag) => make("option", { value: flag }, flag ? words(flag) : "all")));
  list.value = chosen;
}

function makeRow(row, query) {
  const there = new URLSearchParams(query);
  there.delete("page");
  there.set("id", row.case);
  const pictures = row.pictures.map((side) => make("img", {
    src: `/thumbnails/${row.case}/${side}`, alt: `${side} femur, AP`, loading: "lazy"
  }));
  const femora = (tell) => row.femora.map((femur) => make("div", {}, `${femur.side}: ${tell(femur)}`));
  const state = make("td", {}, make("span", { class: `badge ${row.state}` }, STATE_WORDS[row.state]));
  if (row.corrected && row.state !== "corrected") { state.append(" corrected"); }
  if (row.by) { state.append(make("div", {}, `${row.by}, ${row.at.slice(0, 10)}`)); }
  if (row.measured_anew) { state.append(make("div", {}, "measured anew since")); }
  if (row.unfit) { state.append(make("div", {}, row.unfit === 1 ? "1 mark no longer fits" : `${row.unfit} marks no longer fit`)); }
  const refused = (one) => one.code === "side-dropped" ? "left out by a person" : `refused, ${one.code.replaceAll("-", " ")}`;
  const flags = [...row.flags.map(words), ...row.refused.map((one) => `${one.side ? one.side + ": " : ""}${refused(one)}`)];
  const made = make("tr", {},
    make("th", { scope: "row" }, make("a", { href: "/case?" + there }, row.case)),
    make("td", {}, ...pictures),
    state,
    make("td", {}, ...femora((femur) => {
      const index = femur.cfi_ml === null ? "" : `, CFI ${Number(femur.cfi_ml).toFixed(2)}`;
      return femur.shape + index + (femur.letter ? `; ${femur.letter}` : "");
    })),
    make("td", {}, ...femora((femur) => femur.fixation === "press_fit" ? "press-fit" : words(femur.fixation))),
    make("td", {}, flags.join("; ")));
  made.addEventListener("click", (event) => {
    if (!event.target.closest("a")) { made.querySelector("a").click(); }
  });
  return made;
}

function focusRow(place) {
  const links = body.querySelectorAll("a");
  if (links.length) { links[Math.max(0, Math.min(links.length - 1, place))].focus(); }
}

function turn(by) {
  const next = page + by;
  if (next >= 0 && next * perPage < total) { page = next; show(true); }
}

document.addEventListener("keydown", (event) => {
  if (event.target.matches("input, select, textarea") || event.ctrlKey || event.altKey || event.metaKey) { return; }
  const links = Array.from(body.querySelectorAll("a"));
  const here = links.indexOf(document.activeElement);
  const moves = { ArrowDown: () => focusRow(here + 1), ArrowUp: () => focusRow(here - 1),
    ArrowRight: () => turn(1), ArrowLeft: () => turn(-1),
    "/": () => form.elements.text.focus() };
  if (moves[event.key]) { event.preventDefault(); moves[event.key](); }
});
form.addEventListener("input", () => { page = 0; show(); });
form.addEventListener("submit", (event) => event.preventDefault());
document.querySelector("#back").addEventListener("click", () => turn(-1));
document.querySelector("#on").addEventListener("click", () => turn(1));
document.querySelector("#invite").addEventListener("click", async () => {
  const told = await say("/api/address", {});
  document.querySelector("#address").textContent = told.address + " (good for one use)";
});
restore();
show();
