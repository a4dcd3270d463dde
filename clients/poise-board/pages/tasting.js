// A tasting for whoever runs it: the tasters' ways in, how far they are, the map behind the helper's word, the reveal.
import { fill, t } from "./texts.js";
import { give, json } from "./net.js";
import { form, show } from "./dialogs.js";
import { node } from "./chart.js";

const get = (id) => document.getElementById(id);
const LOOK_MS = 2000;
let name = "", session = null, key = "";

async function list() {
  const { sessions } = await json("/api/tastings");
  get("sessions").replaceChildren(...sessions.reverse().map((one) => {
    const item = document.createElement("li"), link = document.createElement("a");
    link.href = `#${one}`;
    link.className = "row-link";
    link.textContent = one;
    item.append(link);
    return item;
  }));
}

function code(rows) {
  const size = rows.length + 8, svg = node("svg", { class: "code", viewBox: `0 0 ${size} ${size}`, role: "img" });
  svg.setAttribute("aria-label", t("qr"));
  svg.append(node("rect", { class: "light", width: size, height: size }));
  let path = "";
  rows.forEach((row, y) => [...row].forEach((dark, x) => (path += dark === "1" ? `M${x + 4} ${y + 4}h1v1h-1z` : "")));
  svg.append(node("path", { class: "dark", d: path }));
  return svg;
}

async function invite(taster) {
  const reply = await give("/api/link", { session: name, taster });
  if (!reply.ok) return show(reply.why);
  const address = document.createElement("p");
  address.className = "address";
  address.textContent = reply.address;
  show(t("invite", { taster }), code(reply.rows), address);
}

function show(words) {
  get("state").textContent = words;
}

function tasterRow(one) {
  const item = document.createElement("li"), words = document.createElement("span"), invitation = document.createElement("button");
  item.className = "waiting";
  const head = document.createElement("b"), far = document.createElement("span");
  head.textContent = one.name;
  far.textContent = t("sets_of", { done: one.all - one.left, all: one.all });
  words.append(head, far);
  invitation.type = "button";
  invitation.textContent = t("invite_short");
  invitation.addEventListener("click", () => invite(one.name));
  item.append(words, invitation);
  return item;
}

async function look() {
  if (!name) return;
  const fresh = await json(`/api/tasting?session=${encodeURIComponent(name)}`);
  if (!fresh.ok) return show(fresh.why);
  session = fresh;
  const now = JSON.stringify(fresh);
  if (now === key) return;
  key = now;
  get("session").textContent = name;
  show(fresh.opened ? t("opened") : fresh.left ? t("sets_left", fresh) : t("ready_to_reveal"));
  get("tasters").replaceChildren(...fresh.tasters.map(tasterRow));
  get("orders").hidden = fresh.opened || fresh.alone;
  get("map").hidden = !fresh.word;
  get("reveal").disabled = fresh.left > 0;
  get("results").hidden = true;
  if (fresh.opened) results();
}

async function results() {
  const reply = await fetch(`/api/results?session=${encodeURIComponent(name)}`);
  get("results").textContent = await reply.text();
  get("results").hidden = false;
}

async function order(path, what) {
  const reply = await give(`${path}?session=${encodeURIComponent(name)}`, what, true);
  if (reply.ok) return reply.text();
  show((await reply.json()).why);
  return null;
}

get("map").addEventListener("click", async () => {
  const asked = await form(t("show_map"), t("map_why"), [["server", t("server")], ["temperature", t("temperature")],
                                                        ["word", t("helpers_word"), "password"]], t("show_map"));
  const text = asked && await order("/api/map", asked);
  if (!text) return;
  // a page that poise-taste made: its elements without its style
  const page = new DOMParser().parseFromString(text, "text/html");
  show(t("map_title"), ...[...page.body.children].map((part) => document.importNode(part, true)));
});
get("reveal").addEventListener("click", async () => {
  const asked = await form(t("reveal"), t("reveal_why"), [["noted", t("noted")], ...(session.word
    ? [["word", t("helpers_word"), "password"]] : [])], t("reveal"));
  if (asked && await order("/api/reveal", asked)) look();
});
addEventListener("hashchange", () => {
  name = location.hash.slice(1);
  key = "";
  look();
});
setInterval(look, LOOK_MS);
fill();
list().then(() => {
  name = location.hash.slice(1);
  return look();
});
