// The sweep as it comes, with the fitted resonance through it.
import { svg } from "./draw.js";

const LEFT = 58;
const RIGHT = 14;
const TOP = 12;
const BOTTOM = 46;

function steps(low, high, most) {
  const raw = (high - low) / most;
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= raw);
  const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const at = [];
  for (let n = Math.ceil(low / step - 1e-9); n * step <= high + step * 1e-9; n += 1) at.push(n * step);
  return { at, digits };
}

export class Plot {
  constructor(box) {
    this.box = box;
    this.sweep = null;
    new ResizeObserver(() => this.draw()).observe(box);
  }

  show(sweep) {
    this.sweep = sweep;
    this.draw();
  }

  draw() {
    const { sweep, box } = this;
    const width = box.clientWidth;
    const height = box.clientHeight;
    if (!width || !height) return;
    const picture = svg("svg", { "aria-hidden": "true", focusable: "false" });
    const inner = { x: LEFT, y: TOP, w: width - LEFT - RIGHT, h: height - TOP - BOTTOM };
    if (!sweep || sweep.f.length < 2) {
      picture.append(
        svg("text", { x: width / 2, y: height / 2, "text-anchor": "middle" }, "The sweep shows here as it comes."),
      );
      box.setAttribute("aria-label", "No sweep yet");
      box.replaceChildren(picture);
      return;
    }
    const [low, high] = sweep.range;
    const inside = sweep.f.map((f, i) => [f, sweep.y[i]]).filter(([f]) => f >= low && f <= high);
    const fit = sweep.fit_f.map((f, i) => [f, sweep.fit_y[i]]).filter(([f]) => f >= low && f <= high);
    const levels = [...inside, ...fit].map(([, db]) => db);
    let bottom = Math.min(...levels);
    let top = Math.max(...levels);
    const room = Math.max((top - bottom) * 0.08, 0.02);
    bottom -= room;
    top += room;
    const x = (f) => inner.x + ((f - low) / (high - low)) * inner.w;
    const y = (db) => inner.y + ((top - db) / (top - bottom)) * inner.h;

    const down = steps(bottom, top, Math.max(2, inner.h / 55));
    for (const db of down.at) {
      picture.append(
        svg("line", { x1: inner.x, x2: inner.x + inner.w, y1: y(db), y2: y(db), class: "p-grid" }),
        svg("text", { x: inner.x - 8, y: y(db) + 5, "text-anchor": "end" }, db.toFixed(down.digits).replace("-", "−")),
      );
    }
    const along = steps(low, high, Math.max(2, inner.w / 120));
    for (const f of along.at) {
      picture.append(
        svg("line", { x1: x(f), x2: x(f), y1: inner.y, y2: inner.y + inner.h, class: "p-grid" }),
        svg("text", { x: x(f), y: inner.y + inner.h + 19, "text-anchor": "middle" }, f.toFixed(along.digits)),
      );
    }
    picture.append(
      svg("line", { x1: inner.x, x2: inner.x + inner.w, y1: inner.y + inner.h, y2: inner.y + inner.h, class: "p-axis" }),
      svg("text", { x: inner.x + inner.w, y: height - 6, "text-anchor": "end" }, `frequency, ${sweep.unit}`),
      svg("text", { x: 4, y: height - 6 }, sweep.axis),
    );
    const dots = svg("g");
    const radius = inside.length > 150 ? 2 : 3.4;
    for (const [f, db] of inside) dots.append(svg("circle", { cx: x(f).toFixed(1), cy: y(db).toFixed(1), r: radius, class: "p-dot" }));
    picture.append(dots);
    if (fit.length > 1) {
      const path = fit.map(([f, db], i) => `${i ? "L" : "M"}${x(f).toFixed(1)} ${y(db).toFixed(1)}`).join("");
      picture.append(
        svg("line", { x1: x(sweep.f0), x2: x(sweep.f0), y1: inner.y, y2: inner.y + inner.h, class: "p-mid" }),
        svg("path", { d: path, class: "p-fit" }),
      );
    }
    box.setAttribute("aria-label", sweep.words);
    box.replaceChildren(picture);
  }
}
