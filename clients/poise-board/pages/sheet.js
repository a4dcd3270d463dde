// A taster's own sheet: one set, the cups in their order, how sure, and once more to confirm.
import { fill, t } from "./texts.js";
import { give, json } from "./net.js";
import { confirm } from "./dialogs.js";

const get = (id) => document.getElementById(id);
const LOOK_MS = 2000, MOST = 10;
let sheet = null, chosen = [], rates = [], now = false, timer = 0;

const ORDINALS = ["first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth"];

function drawCups() {
  const box = get("cups");
  box.setAttribute("aria-label", sheet.question);
  box.className = sheet.rated ? "rated" : "";
  box.replaceChildren(...sheet.codes.map((code, place) => (sheet.rated ? rating(code, place) : cup(code, place))));
  get("sure").hidden = sheet.rated ? rates.some((one) => one === null) : chosen.length !== sheet.choose;
}

// Free words, a line for each cup: none is asked for, and none offered unless the session has some.
function drawWords() {
  get("words").hidden = false;
  get("offered").textContent = sheet.offered ? t("words_offered", sheet) : "";
  get("fields").replaceChildren(...sheet.codes.map((code) => {
    const line = document.createElement("label"), field = document.createElement("input");
    field.type = "text";
    field.maxLength = 150;
    field.autocomplete = "off";
    field.dataset.code = code;
    line.append(String(code), field);
    return line;
  }));
}

function typedWords() {
  const typed = [...get("fields").querySelectorAll("input")].filter((field) => field.value.trim());
  return Object.fromEntries(typed.map((field) => [field.dataset.code, field.value.trim()]));
}

function cup(code, place) {
  const key = document.createElement("button");
  const order = chosen.indexOf(place);
  key.type = "button";
  key.className = order >= 0 ? "cup-key on" : "cup-key";
  key.setAttribute("aria-pressed", String(order >= 0));
  const number = document.createElement("b"), where = document.createElement("span");
  number.textContent = code;
  where.textContent = sheet.ordered && order >= 0 ? t("place_in_order", { place: order + 1 }) : t(`ordinal_${ORDINALS[place]}`);
  key.append(number, where);
  key.addEventListener("click", () => {
    if (order >= 0) chosen = chosen.filter((one) => one !== place);
    else if (sheet.choose === 1) chosen = [place];
    else if (chosen.length < sheet.choose) chosen.push(place);
    drawCups();
  });
  return key;
}

// Two large keys, not a slide: a finger is wet, and nothing is to be drawn.
function rating(code, place) {
  const box = document.createElement("div"), label = document.createElement("b"), value = document.createElement("output");
  label.textContent = `${code}, ${t(`ordinal_${ORDINALS[place]}`)}`;
  value.textContent = rates[place] ?? "–";
  value.setAttribute("aria-live", "polite");
  const key = (sign, by, name) => {
    const made = document.createElement("button");
    made.type = "button";
    made.textContent = sign;
    made.setAttribute("aria-label", t(name, { code }));
    made.addEventListener("click", () => {
      rates[place] = rates[place] === null ? 0 : Math.max(0, Math.min(MOST, rates[place] + by));
      value.textContent = rates[place];
      get("sure").hidden = rates.some((one) => one === null);
    });
    return made;
  };
  box.append(label, key("−", -1, "less"), value, key("+", 1, "further"));
  return box;
}

function answer() {
  return sheet.rated ? rates.join(" ") : chosen.map((place) => sheet.codes[place]).join(" ");
}

function words() {
  if (sheet.rated) return sheet.codes.map((code, place) => `${code}: ${rates[place]}`).join(", ");
  return chosen.map((place) => `${sheet.codes[place]}, ${t(`ordinal_${ORDINALS[place]}`)}`).join("; ");
}

async function seal(sure) {
  if (!(await confirm(t("seal"), `${words()}. ${t(sure ? "sure_said" : "guess_said")}`, t("seal_yes")))) return;
  try {
    const reply = await give("/api/answer", { codes: sheet.codes, answer: answer(), sure, words: typedWords() });
    get("why").textContent = reply.ok ? "" : reply.why;
    now = false;
    await look();
  } catch {
    get("why").textContent = t("no_answer");
  }
}

function draw(fresh) {
  const other = JSON.stringify(fresh.codes) !== JSON.stringify(sheet?.codes) || fresh.state !== sheet?.state;
  sheet = fresh;
  get("who").textContent = `${fresh.taster} · ${fresh.session}`;
  const titles = { ask: fresh.warm_up ? t("warm_up") : t("set_of", fresh), rest: t("rest"), done: t("sheet_done"),
                   answered: t("all_answered"), opened: t("opened") };
  get("title").textContent = titles[fresh.state];
  get("ask").textContent = fresh.state === "ask" ? fresh.question
    : fresh.state === "rest" ? t("rest_wait", { seconds: fresh.wait })
    : fresh.state === "answered" ? t("note_hash", fresh) : "";
  get("now").hidden = fresh.state !== "rest";
  get("how").textContent = fresh.state === "ask" ? t(fresh.swallow ? "how_swallow" : "how_spit", fresh) : "";
  if (fresh.state !== "ask") {
    get("cups").replaceChildren();
    get("fields").replaceChildren();
    get("sure").hidden = get("words").hidden = true;
  } else if (other) {
    chosen = [];
    rates = fresh.codes.map(() => null);
    drawCups();
    drawWords();
  }
}

async function look() {
  clearTimeout(timer);
  try {
    const fresh = await json(now ? "/api/sheet?now=1" : "/api/sheet");
    if (!fresh.ok) get("why").textContent = fresh.why;
    else draw(fresh);
    if (fresh.state === "opened" && get("results").hidden) await results();
  } catch {
    get("why").textContent = t("no_answer");
  }
  if (sheet?.state !== "ask" && sheet?.state !== "opened") timer = setTimeout(look, sheet?.state === "rest" ? 1000 : LOOK_MS);
}

async function results() {
  const reply = await fetch("/api/results");
  get("results").textContent = await reply.text();
  get("results").hidden = false;
}

get("sure").addEventListener("click", (event) => {
  const key = event.target.closest("[data-sure]");
  if (key) seal(key.dataset.sure === "true");
});
get("now").addEventListener("click", () => {
  now = true;
  look();
});
fill();
look();
