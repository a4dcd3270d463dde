// The live page: draws what the board sends and decides nothing.
import { fill, t } from "./texts.js";
import { listen, me, order } from "./net.js";
import { Chart } from "./chart.js";
import { choose, confirm, pad, write } from "./dialogs.js";
import * as sound from "./sound.js";

const get = (id) => document.getElementById(id);
const STRIP = ["dose", "bloom", "pour", "steep", "stir", "settle", "press", "weigh"];
const MARKS = [...STRIP, "strength", "done", "idle"];
const NOTICE_MS = 10000; // so long an order can be taken back
const SPEAK_MS = 5000;   // a screen reader is given no more than it can read out

let frame = null, chosen = 0, role = "look", rings = null, notices = null, noticeTimer = 0, spoken = "", spokenAt = 0;
const chart = new Chart(get("curve"));

function put(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

// Rows are drawn only when they change, so that a finger on one stays on it.
function rows(list, key, items, draw, empty) {
  if (list.dataset.key === key) return;
  list.dataset.key = key;
  list.replaceChildren(...items.map(draw));
  if (items.length === 0) {
    const none = document.createElement("li");
    none.className = "none";
    none.textContent = empty;
    list.append(none);
  }
}

function element(name, kind, text) {
  const made = document.createElement(name);
  if (kind) made.className = kind;
  if (text !== undefined) made.textContent = text;
  return made;
}

const station = () => frame?.stations[Math.min(chosen, frame.stations.length - 1)] ?? null;

// ---- drawing ----

function drawHead() {
  put(get("bench"), frame.bench || t("bench"));
  const plan = frame.plan;
  const parts = plan ? [`${plan.title || plan.experiment}`, t("plan_progress", plan)] : [t("no_plan")];
  if (frame.rate !== 1) parts.push(t("clock_rate", { rate: frame.rate }));
  put(get("plan"), parts.join(" · "));
  drawStations();
}

function drawStations() {
  const tabs = get("stations");
  tabs.hidden = frame.stations.length < 2;
  rows(tabs, JSON.stringify([chosen, frame.stations.map((one) => [one.name, one.cue])]), frame.stations, (one, place) => {
    const tab = element("button", place === chosen ? "on" : "");
    tab.append(element("b", "", one.name), element("span", "", one.cue));
    tab.type = "button";
    tab.setAttribute("aria-pressed", String(place === chosen));
    tab.addEventListener("click", () => {
      chosen = place;
      draw();
    });
    return tab;
  }, "");
}

function drawStages(now) {
  const had = now.trace.brew === now.brew ? now.trace.stages.map(([stage]) => stage) : [];
  rows(get("stages"), JSON.stringify([now.stage, had]), STRIP, (stage) => {
    const item = element("li", stage === now.stage ? "on" : had.includes(stage) ? "had" : "", t(`stage_${stage}`));
    if (stage === now.stage) item.setAttribute("aria-current", "step");
    return item;
  }, "");
}

function drawBar(number) {
  const bar = get("bar");
  bar.hidden = number.share === null;
  if (number.share === null) return;
  const share = Math.max(0, Math.min(1, number.share));
  get("fill").style.width = `${share * 100}%`;
  get("fill").className = number.side;
  const band = get("band");
  band.hidden = number.from === null;
  if (number.from !== null) {
    band.style.left = `${Math.max(0, Math.min(1, number.from)) * 100}%`;
    band.style.width = `${(Math.min(1, number.to) - Math.max(0, number.from)) * 100}%`;
  }
}

function scaleWords(now) {
  if (!now.scale) return t("no_scale");
  if (now.condition !== "ready") return t(`condition_${now.condition}`);
  const moving = now.stable === null ? "" : ` ${t(now.stable ? "steady" : "moving")}`;
  return now.shown === "" ? "" : t("grams", { value: now.shown }) + moving;
}

function drawFigures(now) {
  const figures = [[t("scale"), scaleWords(now)]];
  if (now.water !== null) figures.push([t("water"), t("grams", { value: now.water.toFixed(1) })]);
  if (now.flow !== null) figures.push([t("flow"), t("flow_value", { value: now.flow.toFixed(1) })]);
  if (now.time) figures.push([t("steep_time"), now.time]);
  if (now.slurry) figures.push([t("slurry"), now.slurry]);
  const list = get("figures"), large = now.number.digits;
  for (let place = figures.length - 1; place > 0; place--) // what stands there large already
    if (figures[place][1].split(" ")[0] === large) figures.splice(place, 1);
  while (list.children.length > figures.length) list.lastChild.remove();
  figures.forEach(([name, value], place) => {
    if (!list.children[place]) {
      const box = element("div");
      box.append(element("dt"), element("dd"));
      list.append(box);
    }
    put(list.children[place].children[0], name);
    put(list.children[place].children[1], value);
  });
}

function drawNow(now) {
  put(get("cue"), now.cue);
  put(get("digits"), now.number.digits);
  put(get("unit"), now.number.unit);
  put(get("goal"), now.number.goal);
  get("digits").className = now.number.side;
  put(get("instruction"), now.now);
  for (const part of ["set", "rescue", "next", "caution"]) {
    put(get(part), now[part]);
    get(part).hidden = now[part] === "";
  }
  drawStages(now);
  drawBar(now.number);
  drawFigures(now);
  chart.take(now);
  const next = get("mark-next");
  put(next, t(`next_${now.next_stage}`));
  next.disabled = now.next_stage === now.stage;
}

function drawLists(now) {
  const plan = frame.plan, run = now.run;
  put(get("run"), run ? `${t("run_of", run)}: ${run.varied.join(", ")}` : "");
  get("run").hidden = !run;
  const next = (plan?.next ?? []).filter((one) => one.run !== run?.run);
  rows(get("runs"), JSON.stringify(next), next, (one) => {
    const item = element("li");
    item.append(element("b", "", t("run_label", one)), element("span", "", one.words));
    return item;
  }, run ? "" : t("next_none"));
  drawWaiting();
  rows(get("cups"), JSON.stringify(frame.cups), frame.cups, cupRow, t("last_none"));
  const box = get("question-box");
  box.hidden = !now.question;
  if (now.question) put(get("question"), now.question.detail);
  get("answer").hidden = !now.question?.measure || role !== "hands";
  get("accept").hidden = !now.question?.guess || role !== "hands";
  if (now.question?.guess) put(get("accept"), t("accept", now.question));
}

// The minutes pass in rows that stay, so that no finger loses what it is on.
function drawWaiting() {
  const list = get("waiting");
  rows(list, JSON.stringify([frame.waiting.map((one) => one.brew), role]), frame.waiting, waitingRow, t("waiting_none"));
  frame.waiting.forEach((one, place) => {
    const words = [t("waiting_have", one), one.minutes === null ? "" : t("waiting_minutes", one)];
    put(list.children[place].querySelector(".far"), words.filter(Boolean).join(", "));
  });
}

function waitingRow(one) {
  const item = element("li", "waiting");
  const words = element("span");
  words.append(element("b", "", t("waiting_row", { brew: one.short })), element("span", "far"));
  item.append(words);
  if (role !== "hands") return item;
  const type = element("button", "", t("type_strength"));
  type.type = "button";
  type.addEventListener("click", () => typeStrength(frame.waiting.find((now) => now.brew === one.brew) ?? one));
  item.append(type);
  return item;
}

function cupRow(cup) {
  const item = element("li", "cup");
  const head = element("span", "head");
  head.append(element("b", "", cup.short));
  if (cup.kept !== null) head.append(element("span", cup.kept ? "mark kept" : "mark lost", t(cup.kept ? "kept" : "not_kept")));
  item.append(head, element("span", "", cup.words));
  return item;
}

function speak(now) {
  const words = [now.cue, now.now, now.rescue].filter(Boolean).join(". ");
  const at = performance.now();
  if (words === spoken || at - spokenAt < SPEAK_MS) return;
  // the instruction counts down in some stages: only another stage or cue is spoken at once
  spoken = words;
  spokenAt = at;
  put(get("spoken"), words);
}

function draw() {
  const now = station();
  drawHead();
  drawLink();
  if (!now) return;
  drawNow(now);
  drawLists(now);
  speak(now);
  document.body.dataset.stage = now.stage;
}

let link = "";
function drawLink() {
  const away = link === "live" && frame && !frame.there;
  const words = away ? t("away") : t(link === "live" ? "live" : link === "offline" ? "offline" : "connecting");
  put(get("link"), words);
  get("link").className = away ? "bad" : link === "live" ? "good" : "bad";
  document.body.classList.toggle("stale", link !== "live" || away);
}

// ---- notices and bells ----

function notice(words, bad, undo = null) {
  const box = get("notice");
  put(box.firstElementChild, words);
  box.className = bad ? "bad" : "";
  box.hidden = false;
  const back = get("notice-undo");
  back.hidden = !undo;
  back.onclick = undo;
  clearTimeout(noticeTimer);
  noticeTimer = setTimeout(() => (box.hidden = true), NOTICE_MS);
}

get("notice").addEventListener("click", () => (get("notice").hidden = true));

function hear() {
  if (rings !== null && frame.rings > rings) sound.ring(frame.rang);
  rings = frame.rings;
  if (notices !== null && frame.notices > notices && frame.notice) notice(frame.notice, frame.notice_bad);
  notices = frame.notices;
}

// ---- orders ----

async function give(what) {
  try {
    const answer = await order(what);
    if (!answer.ok) {
      notice(t("not_done", { why: answer.why ?? t("no_answer") }), true);
      return;
    }
    const undo = answer.undo ? () => give({ order: "undo", station: what.station }) : null;
    notice(t(answer.done), false, undo);
  } catch {
    notice(t("not_done", { why: t("no_answer") }), true);
  }
}

async function typeStrength(one) {
  const typed = await pad(t("strength_of", { brew: one.short }), t("waiting_have", one));
  if (typed) give({ order: "enter", brew: one.brew, measure: "strength_pct", typed });
}

async function answerQuestion() {
  const question = station().question;
  const typed = await pad(t("answer_of", question), question.detail);
  if (typed) give({ order: "enter", brew: question.brew, measure: question.measure, typed });
}

function acceptGuess() {
  const { name, question } = station();
  if (question) give({ order: "accept", station: name, brew: question.brew });
}

const short = (brew) => brew.split("-").at(-1);

const orders = {
  begin: () => give({ order: "begin", station: station().name }),
  async mark() {
    const stage = await choose(t("choose_stage"), MARKS.map((one) => [one, t(`stage_${one}`)]));
    if (stage) give({ order: "mark", station: station().name, stage });
  },
  async end() {
    const { name, brew } = station();
    if (!brew) return notice(t("nothing_runs"), true);
    if (await confirm(t("confirm_end", { brew: short(brew) }), t("confirm_end_why"), t("confirm_end_yes")))
      give({ order: "end", station: name, brew });
  },
  async discard() {
    const brew = station().brew || frame.cups[0]?.brew;
    if (!brew) return notice(t("no_cup"), true);
    if (await confirm(t("confirm_discard", { brew: short(brew) }), t("confirm_discard_why"), t("confirm_discard_yes")))
      give({ order: "discard", brew });
  },
  async note() {
    const brew = station().brew || frame.cups[0]?.brew;
    if (!brew) return notice(t("no_cup"), true);
    const text = await write(t("note"), t("note_text", { brew: short(brew) }), 300);
    if (text) give({ order: "note", brew, text });
  },
  async load() {
    const text = await write(t("load"), t("plan_text"), 16384, true);
    if (text) give({ order: "plan-load", text });
  },
  async skip() {
    const run = station().run;
    if (!run) return notice(t("no_run"), true);
    if (await confirm(t("confirm_skip", run), "", t("confirm_skip_yes"))) give({ order: "plan-skip" });
  },
  async redo() {
    const brew = frame.cups[0]?.brew;
    if (!brew) return notice(t("no_cup"), true);
    if (await confirm(t("confirm_redo", { brew: short(brew) }), "", t("confirm_redo_yes")))
      give({ order: "plan-redo", brew });
  },
  sound: () => sound.toggle(),
  reports: () => location.assign("/reports"),
  tastings: () => location.assign("/tasting"),
};

async function more() {
  const hands = role === "hands" ? ["begin", "mark", "end", "note", "discard", "load", "skip", "redo"] : [];
  const choices = hands.map((name) => [name, t(name)]);
  choices.push(["reports", t("reports")]);
  if (role === "hands") choices.push(["tastings", t("tastings")]);
  choices.push(["sound", t(sound.on() ? "sound_on" : "sound_off")]);
  const name = await choose(t("more"), choices);
  if (name) orders[name]();
}

get("mark-next").addEventListener("click", () => {
  const now = station();
  if (now) give({ order: "mark", station: now.name, stage: now.next_stage });
});
get("tare").addEventListener("click", () => station() && give({ order: "tare", station: station().name }));
get("undo").addEventListener("click", () => station() && give({ order: "undo", station: station().name }));
get("more").addEventListener("click", more);
get("answer").addEventListener("click", answerQuestion);
get("accept").addEventListener("click", acceptGuess);

// ---- begin ----

async function stayAwake() {
  try {
    await navigator.wakeLock?.request("screen");
  } catch {
    // a browser may refuse, as with an empty battery
  }
}
document.addEventListener("visibilitychange", () => document.hidden || stayAwake());

async function begin() {
  fill();
  stayAwake();
  const mine = await me().catch(() => ({}));
  role = mine.role ?? "look";
  document.body.classList.toggle("looks", role !== "hands");
  listen((fresh) => {
    frame = fresh;
    hear();
    draw();
    document.body.dataset.drawn = String(Number(document.body.dataset.drawn ?? 0) + 1);
  }, (state) => {
    link = state;
    if (frame) draw();
    else drawLink();
  });
}
begin();
