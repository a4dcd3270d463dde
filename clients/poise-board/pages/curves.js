// Several curves over each other, as SVG; the second is dashed, so that colour is not all that parts them.
import { axis, clock, node } from "./chart.js";

const LEFT = 58, RIGHT = 16, TOP = 14, BOTTOM = 30;

export function curves(svg, series, unit) {
  const width = svg.clientWidth, height = svg.clientHeight;
  const all = series.flatMap(([, points]) => points);
  const end = Math.max(30, ...all.map(([s]) => s)), most = Math.max(1, ...all.map(([, value]) => value)) * 1.08;
  const x = (s) => LEFT + ((width - LEFT - RIGHT) * Math.max(0, s)) / end;
  const y = (value) => TOP + (height - TOP - BOTTOM) * (1 - Math.max(0, value) / most);
  const parts = [];
  const step = axis(most, 4, [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500]);
  for (let place = 0; place * step <= most; place++) {
    const value = Number((place * step).toFixed(2)), at = y(value);
    parts.push(node("line", { class: "grid", x1: LEFT, x2: width - RIGHT, y1: at, y2: at }));
    parts.push(node("text", { class: "tick", x: LEFT - 8, y: at + 5, "text-anchor": "end" }, place ? String(value) : unit));
  }
  const seconds = axis(end, Math.max(3, width / 110), [5, 10, 15, 30, 60, 120, 300, 600]);
  for (let s = 0; s <= end; s += seconds)
    parts.push(node("text", { class: "tick", x: x(s), y: height - 6, "text-anchor": "middle" }, clock(s)));
  series.forEach(([name, points], place) => {
    const path = points.map(([s, value], at) => `${at ? "L" : "M"}${x(s).toFixed(1)} ${y(value).toFixed(1)}`).join("");
    parts.push(node("path", { class: `line cup${place}`, d: path }));
    parts.push(node("path", { class: `line cup${place}`, d: `M${width - 150} ${height - BOTTOM - 44 + 24 * place}h40` }));
    parts.push(node("text", { class: "legend", x: width - 100, y: height - BOTTOM - 39 + 24 * place }, name));
  });
  svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
  svg.replaceChildren(...parts);
}
