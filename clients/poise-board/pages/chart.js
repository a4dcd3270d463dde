// The curve of a brew, drawn as SVG: water and flow while it is poured, the press, and where each stage began.
import { t } from "./texts.js";

const NS = "http://www.w3.org/2000/svg";
const LEFT = 58, RIGHT = 58, TOP = 30, BOTTOM = 30;
const LEAST_S = 150, LEAST_G = 60, LEAST_FLOW = 10, LEAST_KPA = 12;

export function node(name, attributes = {}, text = null) {
  const element = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== null) element.textContent = text;
  return element;
}

export function clock(seconds) {
  const whole = Math.round(seconds);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

// A step that gives `about` lines or fewer, in numbers that people count in.
export function axis(range, about, steps) {
  return steps.find((size) => range / size <= about) ?? steps.at(-1);
}

export class Chart {
  constructor(svg) {
    this.svg = svg;
    this.points = [];
    this.brew = "";
    this.generation = -1;
    this.drawn = "";
    new ResizeObserver(() => this.draw(true)).observe(svg);
  }

  // Takes what a frame shows; what was missed is fetched.
  async take(station) {
    const trace = station.trace;
    this.station = station;
    if (trace.brew !== this.brew || trace.generation !== this.generation) {
      this.points = [];
      this.brew = trace.brew;
      this.generation = trace.generation;
    }
    if (trace.count === this.points.length + 1 && trace.last) this.points.push(trace.last);
    else if (trace.count !== this.points.length) await this.fetch(station.name);
    this.draw(false);
  }

  async fetch(name) {
    if (this.fetching) return;
    this.fetching = true;
    try {
      const query = new URLSearchParams({ station: name, brew: this.brew, generation: this.generation,
                                          from: this.points.length });
      const reply = await (await fetch(`/api/trace?${query}`)).json();
      if (reply.brew === this.brew) {
        this.generation = reply.generation;
        this.points = this.points.slice(0, reply.from).concat(reply.points);
      }
    } catch {
      // the next frame asks again
    } finally {
      this.fetching = false;
    }
  }

  draw(resized) {
    const station = this.station;
    if (!station) return;
    const width = this.svg.clientWidth, height = this.svg.clientHeight;
    const key = `${this.brew}/${this.generation}/${this.points.length}/${station.trace.stages.length}/${width}x${height}`
      + `/${station.water_target}/${station.steep_target}`;
    if ((key === this.drawn && !resized) || width < 50) return;
    this.drawn = key;
    this.svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    this.svg.replaceChildren(...this.parts(station, width, height));
    const last = this.points.at(-1);
    this.svg.setAttribute("aria-label", last ? t("curve_label", { brew: station.short || this.brew.split("-").at(-1),
      water: last[1] ?? 0, seconds: Math.round(last[0]) }) : t("curve_empty"));
  }

  scales(station, width, height) {
    const last = this.points.at(-1)?.[0] ?? 0;
    const press = station.steep_target && station.trace.water_at !== null ? station.trace.water_at + station.steep_target
                                                                         : 0;
    const most = (place, least) => this.points.reduce((high, point) => Math.max(high, point[place] ?? 0), least);
    const end = Math.max(LEAST_S, press + 40, last * 1.04);
    const grams = Math.max(most(1, LEAST_G), station.water_target ?? 0) * 1.12;
    const inner = { width: width - LEFT - RIGHT, height: height - TOP - BOTTOM };
    const y = (top) => (value) => TOP + inner.height * (1 - Math.min(1.05, value / top));
    return { end, grams, flow: most(2, LEAST_FLOW) * 1.3, kpa: most(3, LEAST_KPA) * 1.3, press, inner,
             x: (s) => LEFT + (inner.width * s) / end, y };
  }

  parts(station, width, height) {
    const scale = this.scales(station, width, height);
    return [...this.bands(station, scale, height), ...this.grid(scale, width, height), ...this.targets(station, scale, width, height),
            this.area(scale), this.line(1, scale.y(scale.grams), scale, "water"),
            this.line(3, scale.y(scale.kpa), scale, "press"), ...this.legend(width, height)];
  }

  bands(station, scale, height) {
    const parts = [];
    const stages = station.trace.stages;
    const end = this.points.at(-1)?.[0] ?? 0;
    stages.forEach(([stage, from], place) => {
      const to = Math.min(stages[place + 1]?.[1] ?? end, scale.end);
      if (to <= from) return;
      const x = scale.x(Math.max(0, from));
      parts.push(node("rect", { class: place % 2 ? "band odd" : "band", x, y: TOP, width: Math.max(0, scale.x(to) - x),
                                height: height - TOP - BOTTOM }));
      parts.push(node("line", { class: "began", x1: x, x2: x, y1: TOP, y2: height - BOTTOM }));
      const name = t(`stage_${stage}`), last = place === stages.length - 1;
      if (last || scale.x(to) - x > name.length * 9)
        parts.push(node("text", { class: "stage", x: x + 4, y: TOP - 9 }, name));
    });
    return parts;
  }

  grid(scale, width, height) {
    const parts = [];
    const grams = axis(scale.grams, 5, [10, 20, 50, 100, 200, 500]);
    const seconds = axis(scale.end, Math.max(3, width / 110), [15, 30, 60, 120, 300, 600]);
    for (let g = 0; g <= scale.grams; g += grams) {
      const y = scale.y(scale.grams)(g);
      parts.push(node("line", { class: "grid", x1: LEFT, x2: width - RIGHT, y1: y, y2: y }));
      parts.push(node("text", { class: "tick", x: LEFT - 8, y: y + 6, "text-anchor": "end" }, String(g)));
    }
    for (let s = 0; s <= scale.end; s += seconds)
      parts.push(node("text", { class: "tick", x: scale.x(s), y: height - 6, "text-anchor": "middle" }, clock(s)));
    const kpa = axis(scale.kpa, 4, [2, 5, 10, 20, 50, 100]);
    for (let value = 0; this.points.some((point) => point[3] !== null) && value <= scale.kpa; value += kpa)
      parts.push(node("text", { class: "tick press", x: width - RIGHT + 8, y: scale.y(scale.kpa)(value) + 6 },
                      String(value)));
    return parts;
  }

  targets(station, scale, width, height) {
    const parts = [];
    if (station.water_target) {
      const y = scale.y(scale.grams)(station.water_target);
      parts.push(node("line", { class: "target", x1: LEFT, x2: width - RIGHT, y1: y, y2: y }));
    }
    if (scale.press) {
      const x = scale.x(scale.press);
      parts.push(node("line", { class: "target", x1: x, x2: x, y1: TOP, y2: height - BOTTOM }));
    }
    return parts;
  }

  line(place, y, scale, name) {
    let path = "", pen = "M";
    for (const point of this.points) {
      if (point[place] === null) {
        pen = "M";
        continue;
      }
      path += `${pen}${scale.x(point[0]).toFixed(1)} ${y(point[place]).toFixed(1)}`;
      pen = "L";
    }
    return node("path", { class: `line ${name}`, d: path });
  }

  area(scale) {
    const y = scale.y(scale.flow), ground = y(0).toFixed(1);
    let path = "", last = null;
    for (const point of this.points) {
      if (point[2] === null) {
        if (last !== null) path += `L${last} ${ground}Z`;
        last = null;
        continue;
      }
      const x = scale.x(point[0]).toFixed(1);
      path += last === null ? `M${x} ${ground}` : "";
      path += `L${x} ${y(Math.max(0, point[2])).toFixed(1)}`;
      last = x;
    }
    if (last !== null) path += `L${last} ${ground}Z`;
    return node("path", { class: "area flow", d: path });
  }

  // Below on the right, where the curves come last and seldom lie low.
  legend(width, height) {
    const shown = [["water", 1], ["flow", 2], ["press", 3]].filter(
      ([, place]) => this.points.some((point) => point[place] !== null));
    const parts = [];
    let x = width - RIGHT - 8;
    for (const [name] of shown.reverse()) {
      const words = t(`legend_${name}`);
      parts.push(node("text", { class: "legend", x, y: height - BOTTOM - 9, "text-anchor": "end" }, words));
      x -= words.length * 8.5 + 24;
      parts.push(node("rect", { class: `key ${name}`, x, y: height - BOTTOM - 19, width: 16, height: 10 }));
      x -= 18;
    }
    return width < 480 ? [] : parts;
  }
}
