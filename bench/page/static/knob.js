// The regeneration control as the owner sees it: mid-travel at the top, pointer, window, onset seen, where to turn.
import { svg, setText } from "./draw.js";

const C = 100;
const RIM = 74;
const BODY = 53;

export class Knob {
  constructor(box) {
    this.box = box;
    this.travel = 300;
    this.sense = 1;
    this.aimed = "";
  }

  // Degrees clockwise from straight up, for an angle of travel.
  turned(angle) {
    return this.sense * (angle - this.travel / 2);
  }

  spot(angle, radius) {
    const a = (this.turned(angle) * Math.PI) / 180;
    return [C + radius * Math.sin(a), C - radius * Math.cos(a)];
  }

  arc(from, to, radius) {
    const [x0, y0] = this.spot(from, radius);
    const [x1, y1] = this.spot(to, radius);
    const long = Math.abs(to - from) > 180 ? 1 : 0;
    const sweep = (to - from) * this.sense > 0 ? 1 : 0;
    return `M${x0.toFixed(2)} ${y0.toFixed(2)}A${radius} ${radius} 0 ${long} ${sweep} ${x1.toFixed(2)} ${y1.toFixed(2)}`;
  }

  line(angle, inner, outer, name) {
    const [x1, y1] = this.spot(angle, inner);
    const [x2, y2] = this.spot(angle, outer);
    return svg("line", { x1, y1, x2, y2, class: name });
  }

  // The parts that stay: scale, window, words.
  set(control) {
    this.travel = Math.min(control.travel_deg, 359);
    this.share = this.travel / control.travel_deg;
    this.sense = control.direction === "anticlockwise" ? -1 : 1;
    const [low, high] = control.window_deg.map((a) => a * this.share);
    const scale = svg("g");
    scale.append(svg("path", { d: this.arc(low, high, RIM + 1), class: "k-window" }));
    for (const end of [low, high]) scale.append(this.line(end, RIM - 4.5, RIM + 6.5, "k-window-edge"));
    scale.append(svg("path", { d: this.arc(0, this.travel, RIM + 6.5), class: "k-rim" }));
    for (let degree = -180; degree < 180; degree += 15) {
      const angle = degree * this.sense + this.travel / 2;
      if (angle < -0.01 || angle > this.travel + 0.01) continue;
      const hour = degree % 30 === 0;
      scale.append(this.line(angle, RIM + 6.5, RIM + (hour ? 11.5 : 9), hour ? "k-tick" : "k-tick minor"));
      if (hour) {
        const [x, y] = this.spot(angle, RIM + 18);
        scale.append(svg("text", { x, y: y + 3.2, class: "k-hour" }, String(((degree / 30 + 11) % 12) + 1)));
      }
    }
    this.seen = svg("g");
    this.goal = svg("g");
    this.hand = svg("g");
    this.hand.append(
      svg("line", { x1: C, y1: C - BODY + 8, x2: C, y2: C - RIM + 9, class: "k-hand" }),
      svg("path", { d: `M${C - 5} ${C - RIM + 11}L${C} ${C - RIM + 1}L${C + 5} ${C - RIM + 11}Z`, class: "k-tip" }),
    );
    this.hand.style.display = "none";
    this.clock = svg("text", { x: C, y: C + 8, class: "k-clock" }, "–");
    this.degrees = svg("text", { x: C, y: C + 25, class: "k-deg" }, "");
    this.words = svg("text", { x: C, y: C + 93, class: "k-say" }, "");
    const picture = svg("svg", { viewBox: "0 0 200 198", "aria-hidden": "true", focusable: "false" });
    picture.append(
      scale,
      this.goal,
      this.seen,
      svg("circle", { cx: C, cy: C, r: BODY, class: "k-body" }),
      this.hand,
      this.clock,
      this.degrees,
      this.words,
    );
    this.box.replaceChildren(picture);
    this.box.setAttribute("aria-valuemax", control.travel_deg);
    this.aimed = "";
  }

  // Where the control stands.
  show(knob) {
    if (!this.hand) return;
    const known = knob.angle_deg !== null;
    this.hand.style.display = known ? "" : "none";
    if (known) {
      const angle = Math.max(-6, Math.min(knob.angle_deg * this.share, this.travel + 6));
      this.hand.setAttribute("transform", `rotate(${this.turned(angle).toFixed(2)} ${C} ${C})`);
      setText(this.clock, knob.clock);
      setText(this.degrees, `${knob.angle_deg.toFixed(0)}°`);
      this.box.setAttribute("aria-valuenow", knob.angle_deg.toFixed(0));
      this.box.setAttribute("aria-valuetext", `${knob.clock}, ${knob.angle_deg.toFixed(0)} degrees`);
    } else {
      setText(this.clock, "–");
      setText(this.degrees, "");
      this.box.setAttribute("aria-valuetext", knob.why || "angle not known yet");
    }
    setText(this.words, known ? "" : knob.why || "");
  }

  // Where it should go: a mark to rest at, or the way to turn.
  aim(aim, way) {
    const wanted = `${aim}/${way}`;
    if (!this.goal || wanted === this.aimed) return;
    this.aimed = wanted;
    this.goal.replaceChildren();
    if (way) {
      const [from, to] = way === "up" ? [0.32, 0.68] : [0.68, 0.32];
      const radius = RIM - 10;
      const a = from * this.travel;
      const b = to * this.travel;
      const [x, y] = this.spot(b, radius);
      const lean = this.turned(b) + (way === "up" ? 0 : 180) + (this.sense < 0 ? 180 : 0);
      this.goal.append(
        svg("path", { d: this.arc(a, b, radius), class: "k-way" }),
        svg("path", { d: "M-8 -6.5L0 0L-8 6.5", class: "k-way", transform: `translate(${x} ${y}) rotate(${lean})` }),
      );
    } else if (aim !== null) {
      const angle = Math.min(aim * this.share, this.travel);
      const [x, y] = this.spot(angle, RIM - 7);
      this.goal.append(
        svg("path", {
          d: "M-7 11L0 0L7 11",
          class: "k-aim",
          transform: `translate(${x} ${y}) rotate(${this.turned(angle)})`,
        }),
      );
    }
  }

  // Onset (filled) and drop-out (hollow) found at this frequency.
  marks(found) {
    if (!this.seen) return;
    this.seen.replaceChildren(
      ...found.map((one) => {
        const [x, y] = this.spot(one.angle_deg * this.share, RIM + 1);
        return svg("circle", { cx: x, cy: y, r: 3.4, class: one.starts ? "k-onset" : "k-drop" });
      }),
    );
  }
}
