// The bench page: shows the picture that the bench program sends, sends back what is pressed. All state is the program's.
import { element, setText } from "./draw.js";
import { Knob } from "./knob.js";
import { Plot } from "./plot.js";

const at = (id) => document.getElementById(id);
const root = document.documentElement;
const picture = {};
const knob = new Knob(at("knob"));
const plot = new Plot(at("plot"));
// A second press of Enter meant for the question before must not answer the next one.
const SETTLE_MS = 300;
let askedAt = 0;
let refusedTimer = 0;

// Sending

async function send(where, what) {
  try {
    const reply = await fetch(where, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(what),
    });
    if (reply.status === 409) refuse((await reply.json()).why);
    return reply.ok;
  } catch {
    refuse("That did not reach the bench program.");
    return false;
  }
}

function refuse(why) {
  setText(at("refused"), why);
  clearTimeout(refusedTimer);
  refusedTimer = setTimeout(() => setText(at("refused"), ""), 4000);
}

function answer(choice) {
  const now = picture.now;
  if (!now || performance.now() - askedAt < SETTLE_MS) return;
  send("answer", { ask: now.ask, choice, text: now.entry ? at("value").value : "" });
}

const presses = {
  mark: () => send("press", { what: "mark" }),
  redo: () => send("press", { what: "redo" }),
  skip: () => send("press", { what: "skip" }),
  withdraw: () => send("press", { what: "withdraw" }),
  pause: () => send("press", { what: picture.run?.paused === "pressed" ? "resume" : "pause" }),
  note: () => {
    const reading = picture.doing?.reading;
    if (reading) setText(at("note-label"), `Goes into the row of ${reading}`);
    at("note-box").showModal();
    at("note").focus();
  },
  stop: () => at("stop-box").showModal(),
};

function press(what) {
  const button = document.querySelector(`[data-press="${what}"]`);
  if (button.getAttribute("aria-disabled") !== "true") presses[what]();
}

for (const button of document.querySelectorAll("[data-press]")) {
  button.addEventListener("click", () => press(button.dataset.press));
}
at("note-form").addEventListener("submit", () => {
  send("press", { what: "note", text: at("note").value }).then((kept) => {
    if (kept) {
      at("note").value = "";
      refuse("Noted.");
    }
  });
});
at("note-cancel").addEventListener("click", () => at("note-box").close());
at("stop-form").addEventListener("submit", () => send("press", { what: "stop" }));
at("stop-cancel").addEventListener("click", () => at("stop-box").close());
at("entry").addEventListener("submit", (event) => {
  event.preventDefault();
  const first = picture.now?.choices[0];
  if (first) answer(first.name);
});

// Keys

const KEYS = { m: "mark", r: "redo", s: "skip", w: "withdraw", p: "pause", n: "note", q: "stop" };
document.addEventListener("keydown", (event) => {
  if (event.repeat && (event.key === "Enter" || event.key === " ")) {
    // A key held down answers once.
    if (!event.target.closest("input, textarea")) event.preventDefault();
    return;
  }
  if (event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
  if (event.target.closest("input, textarea, dialog")) return;
  if (root.dataset.keys === "off") return;
  const key = event.key.toLowerCase();
  if (key === "enter" && !event.target.closest("button, a")) {
    const first = picture.now?.choices[0];
    if (first) answer(first.name);
  } else if ((key === "y" || key === "n") && picture.now?.choices.some((c) => c.name === "yes")) {
    answer(key === "y" ? "yes" : "no");
  } else if (KEYS[key]) {
    press(KEYS[key]);
  } else return;
  event.preventDefault();
});

// Switches

const kept = {
  get: (name) => {
    try {
      return localStorage.getItem(name);
    } catch {
      return null;
    }
  },
  set: (name, value) => {
    try {
      localStorage.setItem(name, value);
    } catch {
      // A browser that keeps nothing still shows the page.
    }
  },
};

function dark() {
  if (root.dataset.look) return root.dataset.look === "dark";
  return matchMedia("(prefers-color-scheme: dark)").matches;
}
function showLook() {
  at("look").setAttribute("aria-pressed", String(dark()));
}
if (kept.get("look")) root.dataset.look = kept.get("look");
showLook();
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", showLook);
at("look").addEventListener("click", () => {
  root.dataset.look = dark() ? "light" : "dark";
  kept.set("look", root.dataset.look);
  showLook();
});

root.dataset.keys = kept.get("keys") || "on";
at("keys").setAttribute("aria-pressed", String(root.dataset.keys === "on"));
at("keys").addEventListener("click", () => {
  root.dataset.keys = root.dataset.keys === "on" ? "off" : "on";
  kept.set("keys", root.dataset.keys);
  at("keys").setAttribute("aria-pressed", String(root.dataset.keys === "on"));
});

let audio = null;
at("sound").addEventListener("click", () => {
  const on = at("sound").getAttribute("aria-pressed") !== "true";
  at("sound").setAttribute("aria-pressed", String(on));
  if (on) {
    audio ??= new AudioContext();
    audio.resume();
    tone(660, 0);
  }
});
function tone(hertz, after, lasts = 0.22) {
  if (!audio || at("sound").getAttribute("aria-pressed") !== "true") return;
  const start = audio.currentTime + after;
  const wave = audio.createOscillator();
  const loud = audio.createGain();
  wave.frequency.value = hertz;
  loud.gain.setValueAtTime(0, start);
  loud.gain.linearRampToValueAtTime(0.25, start + 0.01);
  loud.gain.exponentialRampToValueAtTime(0.001, start + lasts);
  wave.connect(loud).connect(audio.destination);
  wave.start(start);
  wave.stop(start + lasts + 0.03);
}

// Two rising tones at the moment it oscillates, two falling ones when it stops, one long low one when it is time to turn back.
function sound(now) {
  if (now.cue) [660, 880].forEach((hertz, place) => tone(hertz, now.cue === "starts" ? place * 0.12 : 0.12 - place * 0.12));
  else if (now.way === "back") tone(330, 0, 0.5);
}

// Drawing

const STATES = { done: "recorded", here: "now", left: "left out", "": "to come" };
const LABEL_KEYS = { yes: "Y", no: "N" };
const show = {
  set(set) {
    document.title = `${set.session} – bench page`;
    setText(at("set-name"), set.name);
    setText(at("session-name"), set.session);
    knob.set(set.control);
    at("level").setAttribute("aria-valuemax", set.level_v);
    for (const part of ["knob", "onset"]) if (picture[part]) show[part](picture[part]);
    if (picture.now) knob.aim(picture.now.aim_deg, picture.now.way);
  },

  run(run) {
    const words = { pressed: "Paused: press P to go on. You may unplug; what is back by then is found again.", closed: "Paused while no page was open." };
    const state = at("run-state");
    setText(state, run.paused ? words[run.paused] : run.wished ? "Heard. One moment." : "");
    state.className = run.paused ? "state held" : "state";
    setText(at("pause-label"), run.paused === "pressed" ? "Go on" : "Pause");
    showButtons();
  },

  now(now) {
    const same = now.lines.join("\n") === shownLines;
    const news = now.ask !== shownAsk;
    shownAsk = now.ask;
    shownLines = now.lines.join("\n");
    askedAt = performance.now();
    const box = at("now");
    box.className = now.kind === "trouble" || now.kind === "caution" ? now.kind : "";
    const say = at("say");
    say.className = now.kind === "caution" ? "caution" : ["", "", "many", "many", "many more-still"][now.lines.length] ?? "many five";
    if (!same) say.replaceChildren(...now.lines.map(paragraph));
    setText(at("more"), now.more || aside());
    const entry = at("entry");
    entry.hidden = !now.entry;
    if (now.entry) {
      setText(at("value-label"), now.entry.label);
      at("value").placeholder = now.entry.example;
      if (!now.entry.problem) at("value").value = "";
      setText(at("value-problem"), now.entry.problem);
      at("value").setAttribute("aria-invalid", String(Boolean(now.entry.problem)));
    }
    const had = document.activeElement;
    const free = !had || had === document.body || at("answers").contains(had) || had === at("value") || had === box;
    at("answers").replaceChildren(
      ...now.choices.map((choice, place) => {
        const button = element("button", { type: "button", "data-choice": choice.name }, choice.label);
        const key = LABEL_KEYS[choice.name] || (place === 0 ? "Enter" : "");
        if (place === 0) button.className = "main";
        if (key) button.append(element("kbd", { "aria-hidden": "true" }, key));
        button.addEventListener("click", () => answer(choice.name));
        return button;
      }),
    );
    if (free && !document.querySelector("dialog[open]")) {
      const target = now.entry?.needed ? at("value") : at("answers").querySelector("button");
      (target || box).focus({ preventScroll: true });
    }
    knob.aim(now.aim_deg, now.way);
    if (news) sound(now);
    showButtons();
  },

  doing(doing) {
    setText(at("reading"), doing.reading && doing.detail.startsWith(doing.reading) ? doing.detail : doing.reading);
    setText(at("then"), doing.then ? `Then: ${doing.then}` : "");
    if (!picture.now?.more) setText(at("more"), aside());
  },

  knob(now) {
    knob.show(now);
    const known = now.level_v !== null;
    at("level-box").hidden = !known;
    if (known) {
      const full = picture.set?.level_v || 3.3;
      at("level").firstElementChild.style.transform = `scaleX(${Math.max(0, Math.min(1, now.level_v / full)).toFixed(3)})`;
      setText(at("level-text"), `${now.level_v.toFixed(2)} V`);
      at("level").setAttribute("aria-valuenow", now.level_v.toFixed(2));
    }
  },

  onset(onset) {
    knob.marks(onset.found);
  },

  sweep(sweep) {
    setText(at("sweep-title"), sweep.title);
    at("found").hidden = !sweep.f0_text;
    setText(at("found-f0"), sweep.f0_text);
    setText(at("found-q"), sweep.q_text);
    plot.show(sweep);
  },

  plan(plan) {
    setText(at("count"), `${plan.done} of ${plan.total}`);
    at("coils").replaceChildren(
      ...plan.coils.map((coil) => {
        const row = element("div", { class: "coil", role: "listitem" }, element("b", {}, coil.name));
        for (const { kind, cells } of coil.groups) {
          const done = cells.filter((cell) => cell.state === "done").length;
          const words = `${kind}: ${done} of ${cells.length} recorded`;
          const group = element("div", { class: "group", role: "img", "aria-label": words });
          group.append(element("span", {}, kind));
          for (const cell of cells) {
            group.append(element("i", { class: `cell ${cell.state}`, title: `${cell.label}: ${STATES[cell.state]}` }));
          }
          row.append(group);
        }
        return row;
      }),
    );
    const box = at("plan");
    const here = box.querySelector(".here");
    if (here) box.scrollTop = here.offsetTop - box.offsetTop - box.clientHeight / 2;
  },

  rows(rows) {
    at("rows").replaceChildren(
      ...rows.map((row) =>
        element("tr", row.note ? { title: row.note } : {}, ...[row.coil, row.at, row.found, row.time].map((text) => element("td", {}, text))),
      ),
    );
  },

  told(told) {
    at("told").replaceChildren(...told.map((line) => element("li", {}, line)));
  },
};
let shownLines = "";
let shownAsk = 0;

// How the reading stands, unless that is said above.
function aside() {
  const doing = picture.doing;
  return !doing || (doing.reading && doing.detail.startsWith(doing.reading)) ? "" : doing.detail;
}

// One line of what to do; a line of a list hangs from its mark.
function paragraph(line, _, lines) {
  const listed = line.startsWith("- ") || (lines.length > 1 && picture.now.kind === "ask");
  return element("p", listed ? { class: "step" } : {}, line.replace(/^- /, ""));
}

function showButtons() {
  const run = picture.run || { can: [] };
  for (const button of document.querySelectorAll("[data-press]")) {
    const what = button.dataset.press;
    const can = what === "mark" ? Boolean(picture.now?.mark) : run.can.includes(what);
    button.setAttribute("aria-disabled", String(!can));
    button.classList.toggle("wanted", (what === "mark" && can) || (what === "pause" && run.paused === "pressed"));
  }
}

// Receiving

const events = new EventSource("events");
events.onmessage = (event) => {
  at("gone").hidden = true;
  const news = JSON.parse(event.data);
  Object.assign(picture, news);
  for (const part of ["set", "run", "now", "doing", "knob", "onset", "sweep", "plan", "rows", "told"]) {
    if (part in news) show[part](news[part]);
  }
};
events.addEventListener("end", () => {
  events.close();
  setText(at("run-state"), "The bench program has ended.");
  picture.run = { can: [], paused: "" };
  if (picture.now) picture.now = { ...picture.now, choices: [], mark: false };
  at("answers").replaceChildren();
  showButtons();
});
events.onerror = () => {
  at("gone").hidden = false;
};
