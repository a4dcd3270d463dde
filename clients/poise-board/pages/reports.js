// Reports as poise-report makes them, and two cups' curves over each other.
import { fill, t } from "./texts.js";
import { curves } from "./curves.js";
import { json } from "./net.js";

const get = (id) => document.getElementById(id);
const short = (brew) => brew.split("-").at(-1);
let list = { experiments: [], brews: [] };

function link(to, ...words) {
  const item = document.createElement("li"), anchor = document.createElement("a");
  anchor.href = `#${to}`;
  anchor.className = "row-link";
  for (const [place, text] of words.entries()) {
    const part = document.createElement(place ? "span" : "b");
    part.textContent = text;
    anchor.append(part);
  }
  item.append(anchor);
  return item;
}

async function draw() {
  list = await json("/api/records");
  get("experiments").replaceChildren(...list.experiments.map((one) =>
    link(`experiment/${one.name}`, one.title || one.name, t("cups_count", one))));
  get("brews").replaceChildren(...list.brews.map((one) =>
    link(`brew/${one.brew}`, short(one.brew), [one.experiment,
      one.extraction === null ? "" : t("extraction_value", { value: one.extraction.toFixed(1) })].filter(Boolean).join(", "))));
  for (const select of [get("first"), get("second")])
    select.replaceChildren(...list.brews.map((one) => new Option(`${short(one.brew)} ${one.experiment}`, one.brew)));
  if (list.brews.length > 1) get("second").selectedIndex = 1;
}

async function show() {
  const [what, name] = decodeURIComponent(location.hash.slice(1)).split("/");
  get("report").hidden = get("compare").hidden = true;
  for (const anchor of document.querySelectorAll("a")) anchor.classList.toggle("on", anchor.hash === location.hash && what !== "");
  if (!what) return;
  if (what === "compare") return compare();
  const path = `/api/report?of=${encodeURIComponent(what)}&name=${encodeURIComponent(name ?? "")}`;
  get("why").textContent = t("loading");
  get("why").hidden = false;
  const reply = await fetch(path);
  if (!reply.ok) {
    get("why").textContent = (await reply.json()).why;
    return;
  }
  get("why").hidden = true;
  get("report").hidden = false;
  get("report").src = path;
}

async function compare() {
  get("why").hidden = list.brews.length > 1;
  get("why").textContent = t("compare_two");
  if (list.brews.length < 2) return;
  get("compare").hidden = false;
  compared = await Promise.all([get("first").value, get("second").value].map(
    (brew) => json(`/api/cup?brew=${encodeURIComponent(brew)}`)));
  over();
  measures(compared);
}

let compared = [];
function over() {
  if (get("compare").hidden || compared.length === 0) return;
  curves(get("water"), compared.map((cup) => [short(cup.brew), water(cup)]), "g");
  curves(get("force"), compared.map((cup) => [short(cup.brew), force(cup)]), "kg");
}
addEventListener("resize", over);

const began = (cup, stage) => cup.stages.find(([name]) => name === stage)?.[1];

// From first water to the press, over what stood there before it.
function water(cup) {
  const to = began(cup, "press") ?? Infinity;
  const points = cup.mass.filter(([s]) => s >= -1 && s < to);
  const ground = points.filter(([s]) => s <= 0).at(-1)?.[1] ?? points[0]?.[1] ?? 0;
  return points.map(([s, g]) => [s, g - ground]);
}

// What lay on the scale during the press over what it showed just before.
function force(cup) {
  const from = began(cup, "press"), to = began(cup, "weigh") ?? began(cup, "strength") ?? Infinity;
  if (from === undefined) return [];
  const before = cup.mass.filter(([s]) => s < from).at(-1)?.[1] ?? 0;
  return cup.mass.filter(([s]) => s >= from && s <= to).map(([s, g]) => [s - from, (g - before) / 1000]);
}

function measures(cups) {
  const names = [...new Set(cups.flatMap((cup) => cup.measures.map((one) => one.what)))];
  const row = (head, cells) => { // the names of cups above, those of measures on the left
    const line = document.createElement("tr");
    for (const [place, text] of cells.entries()) {
      const named = head ? place > 0 : place === 0, cell = document.createElement(named ? "th" : "td");
      cell.textContent = text;
      if (named) cell.scope = head ? "col" : "row";
      line.append(cell);
    }
    return line;
  };
  const value = (cup, name) => {
    const one = cup.measures.find((measure) => measure.what === name);
    return one ? `${one.value} ${one.unit}` : "";
  };
  get("measures").replaceChildren(row(true, ["", ...cups.map((cup) => short(cup.brew))]),
                                  ...names.map((name) => row(false, [name, ...cups.map((cup) => value(cup, name))])));
}

addEventListener("hashchange", show);
for (const id of ["first", "second"]) get(id).addEventListener("change", compare);
fill();
draw().then(show);

// A cup that ends while this is open: its report is another.
let cups = null;
new EventSource("/api/live").addEventListener("message", (event) => {
  const now = JSON.stringify(JSON.parse(event.data).cups);
  if (cups !== null && now !== cups) setTimeout(() => draw().then(show), 1500); // when the logger has kept it
  cups = now;
});
