"""The page in headless Chromium: what it shows, how it reads, and what a hostile page can do to it."""

from __future__ import annotations

import json
import re
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.page import facts
from bench.page.desk import ALWAYS, Choice, Desk, Entry, Now
from bench.page.seat import Seat
from bench.page.server import PageServer
from bench.physics.resonance import fit_level, fit_sweep
from bench.readings.level_fit import LevelSweep
from bench.report import as_html
from bench.report.contents import document
from bench.session.folder import Session

pytestmark = pytest.mark.chromium

EXAMPLE = Path(__file__).parents[3] / "sessions" / "example"
DONE = (Choice("done", "Done"),)
HOSTILE = "<img src=x onerror='document.title=1'><script>document.title=2</script>"


@pytest.fixture
def desk() -> Desk:
    """The example session with a sweep, a known angle and a question."""
    made = Desk()
    session = Session.open(EXAMPLE)
    Seat(session, made)
    made.allow(ALWAYS)
    f = np.linspace(3.30e6, 3.45e6, 101)
    s11 = 0.9 - 0.1 / (1 + 2j * 110 * (f / 3.37e6 - 1)) + 1e-4 * np.cos(np.arange(101) * 2.1)
    sweep = facts.sweep_facts(session.plan, "coil B, dial 0", f, s11, fit_sweep(f, s11))
    made.publish("sweep", sweep)
    made.publish("knob", {"angle_deg": 130.0, "clock": "11:20", "level_v": 0.42, "why": ""})
    made.publish("doing", {"reading": "coil B: onset at 3 500 kHz", "then": "", "detail": ""})
    made.publish("told", ["coil B  dial 20  f0 3 612 kHz"])
    made.tell(Now(("Set the dial to 40",), kind="ask", choices=DONE))
    return made


@pytest.fixture
def server(desk: Desk) -> Iterator[PageServer]:
    with PageServer(desk) as made:
        yield made


OpenTab = Callable[[str], Any]


def test_it_shows_what_the_desk_holds(server: PageServer, desk: Desk, open_tab: OpenTab) -> None:
    tab = open_tab(server.address)
    tab.wait("document.querySelector('#say').innerText === 'Set the dial to 40'")
    assert tab.text("#knob .k-clock") == "11:20"
    assert tab.text("#level-text") == "0.42 V"
    assert "3 370 kHz" in tab.text("#found-f0")
    # The angle of the hand: 130 of 300 degrees of travel is 20 degrees before 12:00 (the contract's clock).
    assert (
        tab.run("document.querySelector('#knob g[transform]').getAttribute('transform')")
        == "rotate(-20.00 100 100)"
    )
    drawn = tab.run("document.querySelectorAll('#plot .p-dot').length")
    assert drawn == len(desk.picture()["sweep"]["f"]) > 20
    assert tab.run("document.querySelector('#plot').getAttribute('aria-label')").startswith(
        "coil B, dial 0: resonance at 3 369.99"
    )
    plan = desk.picture()["plan"]
    assert tab.text("#count") == f"{plan['done']} of {plan['total']}"
    assert tab.run("document.querySelectorAll('#coils .cell.done').length") == plan["done"]
    desk.publish("knob", {"angle_deg": 210.0, "clock": "2:00", "level_v": 0.5, "why": ""})
    tab.wait("document.querySelector('#knob .k-clock').textContent === '2:00'")
    assert tab.run("document.querySelector('#knob').getAttribute('aria-valuenow')") == "210"
    assert tab.errors() == []


def test_a_sweep_by_generator_and_detector_is_drawn_with_its_own_axis(
    server: PageServer, desk: Desk, open_tab: OpenTab
) -> None:
    plan = Session.open(EXAMPLE).plan
    f_hz, none = np.linspace(3.3e6, 3.45e6, 27), np.empty(0)
    volts = LevelSweep(f_hz, 0.4 + 0.3 * np.exp(-(((f_hz - 3.37e6) / 2e4) ** 2)), "detector, V", none, none)
    desk.publish("sweep", facts.level_sweep_facts(plan, "coil B, dial 0", volts))
    tab = open_tab(server.address)
    tab.wait("document.querySelectorAll('#plot .p-dot').length === 27")
    assert "detector, V" in tab.text("#plot svg")
    assert tab.run("document.querySelector('#found').hidden")
    db = -10.0 * np.log10(1.0 + (2 * 110 * (f_hz / 3.37e6 - 1)) ** 2)
    found = fit_level(f_hz, db / 10.0 * np.log(10.0), "log")
    decibels = LevelSweep(f_hz, db, "under the peak, dB", f_hz, db, found)
    desk.publish("sweep", facts.level_sweep_facts(plan, "coil B, dial 0", decibels))
    tab.wait("document.querySelector('#plot .p-fit')")
    assert "under the peak, dB" in tab.text("#plot svg")
    assert "3 370 kHz" in tab.text("#found-f0")
    assert tab.text("#found-q") == "Q 110"
    assert tab.text("#sweep-title") == "coil B, dial 0: Q with the loop"
    assert "with the loop" in tab.run("document.querySelector('#plot').getAttribute('aria-label')")
    assert tab.errors() == []


def test_what_users_typed_stays_text(server: PageServer, desk: Desk, open_tab: OpenTab) -> None:
    words = {**desk.picture()["set"], "name": HOSTILE, "session": HOSTILE}
    desk.publish("set", words)
    row = {"coil": HOSTILE, "at": HOSTILE, "found": HOSTILE, "time": "19:30", "note": HOSTILE}
    desk.publish("rows", [row])
    desk.publish("told", [HOSTILE])
    desk.publish("doing", {"reading": HOSTILE, "then": HOSTILE, "detail": HOSTILE})
    plan = {
        "done": 0,
        "total": 1,
        "coils": [
            {"name": HOSTILE, "groups": [{"kind": HOSTILE, "cells": [{"label": HOSTILE, "state": ""}]}]}
        ],
    }
    desk.publish("plan", plan)
    desk.tell(
        Now(
            (HOSTILE, HOSTILE),
            HOSTILE,
            "ask",
            (Choice("done", HOSTILE),),
            Entry(HOSTILE, HOSTILE, True, HOSTILE),
        )
    )
    tab = open_tab(server.address)
    tab.wait("document.querySelector('#answers button')")
    for place in (
        "#set-name",
        "#say",
        "#more",
        "#rows",
        "#told",
        "#coils",
        "#answers",
        "#value-label",
        "#reading",
    ):
        assert "<script>" in tab.text(place), place
    assert tab.run("document.images.length") == 0
    assert tab.run("[...document.scripts].every((s) => s.src.endsWith('page.js'))")
    assert tab.run("document.title") == f"{HOSTILE} – bench page"
    assert tab.errors() == []


def test_reload_and_a_second_tab_change_nothing(server: PageServer, desk: Desk, open_tab: OpenTab) -> None:
    first = open_tab(server.address)
    first.wait("document.querySelector('#answers button')")
    before = desk.picture()
    second = open_tab(server.address)
    second.wait("document.querySelector('#answers button')")
    first.call("Page.reload")
    first.wait("document.querySelector('#say')?.innerText === 'Set the dial to 40'")
    assert desk.picture() == before
    # Answered in one tab, both see the next question.
    answered: list[Any] = []
    ask = threading.Thread(
        target=lambda: answered.append(desk.ask(Now(("Now to 60",), kind="ask", choices=DONE))), daemon=True
    )
    ask.start()
    for tab in (first, second):
        tab.wait("document.querySelector('#say').innerText === 'Now to 60'")
    first.wait("performance.now() > 0")
    second.run("new Promise((done) => setTimeout(done, 350))")
    assert second.click("#answers button")
    ask.join(10)
    assert [answer.choice for answer in answered] == ["done"]
    desk.tell(Now(("Hands off",)))
    for tab in (first, second):
        tab.wait("document.querySelector('#say').innerText === 'Hands off'")
        assert tab.run("document.querySelectorAll('#answers button').length") == 0


def test_the_report_fits_a_phone_and_follows_light_and_dark(tmp_path: Path, open_tab: OpenTab) -> None:
    session = Session.open(EXAMPLE)
    fit = session.read_fit()
    assert fit is not None
    file = tmp_path / "report.html"
    file.write_text(as_html.write(document(session, fit)), encoding="utf-8")
    tab = open_tab(file.as_uri())
    for width, dark in ((390, False), (390, True), (1366, True)):
        tab.screen(width, 800, dark=dark)
        # WCAG 2.2, 1.4.10: nothing to scroll sideways but wide tables in a frame of their own.
        assert tab.run("document.documentElement.scrollWidth") <= width
        found = tab.run(CONTRAST)
        assert len(found) > 50
        assert [text for ratio, text in found if ratio < 4.5] == []
        paper = tab.run("getComputedStyle(document.body).backgroundColor")
        assert (sum(int(part) for part in re.findall(r"\d+", paper)[:3]) < 200) is dark
    # Charts are drawn in black: their paper stays white.
    assert tab.run("getComputedStyle(document.querySelector('img')).backgroundColor") == "rgb(255, 255, 255)"
    assert tab.errors() == []


# WCAG 2.2, success criterion 1.4.3: contrast ratio (L1 + 0.05)/(L2 + 0.05) of relative luminances, at least 4.5 for text.
CONTRAST = """
(() => {
  const rgb = (text) => { const c = document.createElement('canvas').getContext('2d', {willReadFrequently: true});
    c.fillStyle = text; c.fillRect(0, 0, 1, 1); return [...c.getImageData(0, 0, 1, 1).data]; };
  const light = ([r, g, b]) => [r, g, b].map((v) => v / 255).map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const behind = (e) => { for (; e; e = e.parentElement) { const c = rgb(getComputedStyle(e).backgroundColor); if (c[3] === 255) return c; }
    return [255, 255, 255, 255]; };
  const found = [];
  for (const e of document.querySelectorAll('body *')) {
    const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    if (!own || !e.checkVisibility() || e.closest('.jump')) continue;
    const style = getComputedStyle(e);
    let back = behind(e instanceof SVGElement ? e.ownerSVGElement.parentElement : e);
    if (e.matches('.k-clock, .k-deg')) back = rgb(getComputedStyle(document.querySelector('.k-body')).fill);
    const [a, b] = [light(rgb(e instanceof SVGElement ? style.fill : style.color)), light(back)].sort((x, y) => y - x);
    found.push([(a + 0.05) / (b + 0.05), `${e.tagName} ${e.id || e.getAttribute('class')} ${e.textContent.trim().slice(0, 20)}`]);
  }
  return found;
})()
"""


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("kind", ["ask", "trouble"])
def test_every_text_stands_out_enough(
    server: PageServer, desk: Desk, open_tab: OpenTab, dark: bool, kind: Any
) -> None:
    desk.tell(
        Now(
            ("Something went wrong",),
            "and what to do",
            kind,
            (*DONE, Choice("skip", "Leave it out")),
            Entry("label", "4"),
        )
    )
    tab = open_tab(server.address)
    tab.screen(1366, 768, dark=dark)
    tab.wait("document.querySelector('#answers button')")
    tab.run("new Promise((done) => setTimeout(done, 200))")
    found = tab.run(CONTRAST)
    assert len(found) > 30
    assert [one for one in found if one[0] < 4.5] == []


def test_the_switch_turns_light_to_dark_and_back(server: PageServer, open_tab: OpenTab) -> None:
    tab = open_tab(server.address)
    tab.screen(1366, 768, dark=False)
    tab.wait("document.querySelector('#answers button')")
    colour = "getComputedStyle(document.body).backgroundColor"
    light = tab.run(colour)
    assert tab.click("#look")
    dark = tab.run(colour)
    assert dark != light
    assert tab.run("document.querySelector('#look').getAttribute('aria-pressed')") == "true"
    tab.screen(1366, 768, dark=True)
    assert tab.run(colour) == dark
    assert tab.click("#look")
    assert tab.run(colour) == light


@pytest.mark.parametrize(
    ("width", "height"), [(320, 640), (390, 844), (820, 1180), (1366, 768), (1920, 1080)]
)
def test_it_fits_every_screen(
    server: PageServer, desk: Desk, open_tab: OpenTab, width: int, height: int
) -> None:
    tab = open_tab(server.address)
    tab.screen(width, height)
    tab.wait("document.querySelector('#answers button')")
    # WCAG 2.2, 1.4.10: nothing to scroll sideways, down to 320 pixels.
    assert tab.run("document.documentElement.scrollWidth") <= width
    # WCAG 2.2, 2.5.8 asks for 24 pixels; hands at a bench get 40.
    small = tab.run(
        "[...document.querySelectorAll('button')].filter((b) => b.checkVisibility()).map((b) => b.getBoundingClientRect()).filter((r) => r.height < 38 || r.width < 38).length"
    )
    assert small == 0
    seen = tab.run(
        "(() => { const r = document.querySelector('#answers button').getBoundingClientRect(); return [r.top, r.bottom]; })()"
    )
    assert 0 <= seen[0] < seen[1] <= height
    if width >= 1366:
        # Two metres: letters of the instruction and the clock position about a centimetre high on such a laptop.
        # (Common practice for signs: height at least distance/200.)
        assert tab.run("parseFloat(getComputedStyle(document.querySelector('#say')).fontSize)") >= 52
        assert tab.run("document.querySelector('.k-clock').getBoundingClientRect().height") >= 44
        assert tab.run("document.documentElement.scrollHeight") <= height


def test_it_is_named_for_a_screen_reader(server: PageServer, desk: Desk, open_tab: OpenTab) -> None:
    tab = open_tab(server.address)
    tab.wait("document.querySelector('#answers button')")
    tab.call("Accessibility.enable")
    tree = tab.call("Accessibility.getFullAXTree")["nodes"]

    def named(role: str) -> list[str]:
        return [
            str(node.get("name", {}).get("value", ""))
            for node in tree
            if not node.get("ignored") and node.get("role", {}).get("value") == role
        ]

    assert all(named("button"))
    assert {"Mark", "Redo", "Leave out", "Pause", "Note", "Stop", "Done", "Take back"} <= set(named("button"))
    assert "Regeneration control" in named("meter")
    assert any(name.startswith("coil B, dial 0: resonance") for name in named("image"))
    assert {"What to do now", "Regeneration control", "Sweep", "Last readings"} <= set(named("region"))
    live = tab.run(
        "(() => { const e = document.querySelector('#say'); return [e.getAttribute('aria-live'), e.getAttribute('aria-atomic')]; })()"
    )
    assert live == ["assertive", "true"]


def test_it_works_by_keyboard_alone(server: PageServer, desk: Desk, open_tab: OpenTab) -> None:
    tab = open_tab(server.address)
    tab.wait("document.activeElement.matches('#answers button')")
    order = []
    for _ in range(30):
        order.append(
            tab.run(
                "(() => { const e = document.activeElement; return e.id || e.dataset.press || e.dataset.choice || e.tagName; })()"
            )
        )
        tab.key("Tab")
    for name in (
        "done",
        "mark",
        "redo",
        "skip",
        "pause",
        "note",
        "stop",
        "withdraw",
        "look",
        "sound",
        "keys",
    ):
        assert name in order, f"{name} is never reached: {order}"
    places = [order.index(name) for name in ("done", "mark", "redo", "skip", "pause", "note", "stop")]
    assert places == sorted(places)
    tab.run("document.activeElement.blur()")
    tab.key("p")
    tab.wait("document.querySelector('#run-state').innerText.startsWith('Paused')")
    assert desk.picture()["run"]["paused"] == "pressed"
    tab.key("p")
    tab.wait("document.querySelector('#run-state').innerText === ''")
    tab.key("n")
    tab.wait("document.querySelector('#note-box').open")
    assert tab.text("#note-label") == "Goes into the row of coil B: onset at 3 500 kHz"
    # Letters in a note are letters.
    tab.type("mist on the window, s and q")
    tab.key("Tab")
    tab.key("Enter")
    tab.wait("!document.querySelector('#note-box').open")
    notes: list[str] = []
    last = time.monotonic() + 30
    while not notes and time.monotonic() < last:
        notes = desk.notes()
        time.sleep(0.02)
    assert notes == ["mist on the window, s and q"]
    assert tab.click("#keys")
    tab.run("document.activeElement.blur()")
    tab.key("p")
    tab.run("new Promise((done) => setTimeout(done, 200))")
    assert desk.picture()["run"]["paused"] == ""
    assert tab.click("[data-press=pause]")
    tab.wait("document.querySelector('#run-state').innerText.startsWith('Paused')")


def test_it_says_when_the_program_has_gone(desk: Desk, open_tab: OpenTab) -> None:
    with PageServer(desk) as server:
        tab = open_tab(server.address)
        tab.wait("document.querySelector('#answers button')")
        desk.tell(Now(("All readings are recorded",), kind="over"))
    tab.wait("document.querySelector('#run-state').innerText === 'The bench program has ended.'")
    assert tab.text("#say") == "All readings are recorded"


HOSTILE_PAGE = """<!doctype html><title>waiting</title><body><script>
const target = TARGET;
const found = {};
const attempt = async (name, act) => { try { found[name] = String(await act()); } catch (e) { found[name] = "refused"; } };
const heard = (url) => new Promise((done, fail) => { const s = new EventSource(url); s.onmessage = (e) => done("READ " + e.data); s.onerror = () => fail(1); });
const loaded = (tag, url) => new Promise((done, fail) => { const e = document.createElement(tag); e.onload = () => done("LOADED"); e.onerror = () => fail(1);
  e[tag === "link" ? "href" : "src"] = url; if (tag === "link") e.rel = "stylesheet"; document.body.append(e); });
const framed = (url) => new Promise((done, fail) => { const f = document.createElement("iframe"); f.src = url; f.onload = () => {
  try { const d = f.contentDocument; d && d.querySelector("#say") ? done("READ " + d.body.innerText) : fail(1); } catch { fail(1); } }; document.body.append(f); });
const posted = (url, type, body) => fetch(url, { method: "POST", headers: type ? { "Content-Type": type } : {}, body }).then((r) => "ANSWERED " + r.status);
const form = (url) => new Promise((done) => { const f = document.createElement("iframe"); f.name = "sink"; document.body.append(f);
  const form = document.createElement("form"); form.method = "post"; form.action = url; form.target = "sink"; form.enctype = "text/plain";
  const i = document.createElement("input"); i.name = '{"what":"pause","x":"'; i.value = '"}'; form.append(i); document.body.append(form);
  f.onload = () => done("sent"); form.submit(); });
(async () => {
  await attempt("read state", () => fetch(target + "state").then((r) => r.text()).then((t) => "READ " + t));
  await attempt("read state with cookies", () => fetch(target + "state", { credentials: "include" }).then((r) => r.text()).then((t) => "READ " + t));
  await attempt("read blind", () => fetch(target + "state", { mode: "no-cors" }).then((r) => r.text()).then((t) => t ? "READ " + t : "nothing"));
  await attempt("listen", () => heard(target + "events"));
  await attempt("run its script", () => loaded("script", target + "page.js"));
  await attempt("use its style", () => loaded("link", target + "page.css"));
  await attempt("picture", () => loaded("img", target + "icon.svg"));
  await attempt("frame", () => framed(target));
  await attempt("press as json", () => posted(target + "press", "application/json", '{"what":"pause"}'));
  await attempt("press as text", () => posted(target + "press", "text/plain", '{"what":"pause"}'));
  await attempt("press blind", () => fetch(target + "press", { method: "POST", mode: "no-cors", body: '{"what":"pause"}' }).then(() => "sent"));
  await attempt("answer as json", () => posted(target + "answer", "application/json", '{"ask":ASK,"choice":"done"}'));
  await attempt("beacon", () => navigator.sendBeacon(target + "press", new Blob(['{"what":"pause"}'], { type: "text/plain" })) ? "sent" : "refused");
  await attempt("form", () => form(target + "press"));
  await attempt("get that would change", () => fetch(target + "press?what=pause", { mode: "no-cors" }).then(() => "sent"));
  document.title = "done"; window.found = found;
})();
</script>"""


@pytest.mark.parametrize("knows_secret", [False, True])
def test_a_hostile_page_in_the_same_browser_reads_and_steers_nothing(
    server: PageServer, desk: Desk, open_tab: OpenTab, knows_secret: bool
) -> None:
    """From another loopback origin (same site as the page, which is as near as a web page can come)."""
    own = open_tab(server.address)
    own.wait("document.querySelector('#answers button')")
    before = desk.picture()
    target = server.address if knows_secret else f"http://127.0.0.1:{server.port}/"
    page = HOSTILE_PAGE.replace("TARGET", json.dumps(target)).replace("ASK", str(before["now"]["ask"]))

    class Hostile(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(page.encode())

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    evil = ThreadingHTTPServer(("127.0.0.1", 0), Hostile)
    threading.Thread(target=evil.serve_forever, daemon=True).start()
    try:
        for host in ("127.0.0.1", "localhost"):
            tab = open_tab(f"http://{host}:{evil.server_port}/")
            tab.wait("document.title === 'done'")
            found = tab.run("found")
            assert len(found) == 15
            assert not [
                f"{name}: {what}"
                for name, what in found.items()
                if what.startswith(("READ", "LOADED", "ANSWERED"))
            ]
            assert "Set the dial" not in json.dumps(found)
            assert desk.picture() == before
    finally:
        evil.shutdown()
        evil.server_close()
    own.run("new Promise((done) => setTimeout(done, 100))")
    assert own.text("#say") == "Set the dial to 40"


def test_the_page_itself_can_load_nothing_from_elsewhere(server: PageServer, open_tab: OpenTab) -> None:
    """Content Security Policy Level 3: even words that became markup could not run or call out."""
    tab = open_tab(server.address)
    tab.wait("document.querySelector('#answers button')")
    tab.run("document.body.insertAdjacentHTML('beforeend', \"<img src=x onerror='document.title=7'>\")")
    assert tab.run(
        "(() => { const s = document.createElement('script'); s.textContent = 'document.title = 8'; document.body.append(s); return 1; })()"
    )
    blocked = tab.run("fetch('http://127.0.0.1:9/').then(() => 'sent', (e) => 'refused')")
    assert blocked == "refused"
    tab.run("new Promise((done) => setTimeout(done, 150))")
    assert tab.run("document.title") not in ("7", "8")


# Notes every tone in place of playing it: pitch, and how long after the call it is to sound.
NO_SPEAKER = """
window.tones = [];
AudioContext.prototype.resume = async function () {};
OscillatorNode.prototype.start = function (when) { window.tones.push([this.frequency.value, when - this.context.currentTime]); };
OscillatorNode.prototype.stop = function () {};
"""


def test_the_sound_comes_at_the_onset_and_only_once_and_only_if_wanted(
    server: PageServer, desk: Desk, open_tab: OpenTab
) -> None:
    up = Now(("Turn slowly UP",), "until it oscillates", "turn", way="up")
    desk.tell(up)
    tab = open_tab(server.address)
    tab.run(NO_SPEAKER)
    tab.wait("document.querySelector('#say').innerText === 'Turn slowly UP'")
    desk.tell(replace(up, more="It oscillates", cue="starts"))
    tab.wait("document.querySelector('#more').innerText === 'It oscillates'")
    assert tab.run("tones") == []
    tab.click("#sound")
    tab.wait("tones.length === 1")
    tab.run("tones.length = 0")
    desk.tell(replace(up, more="Again"))
    tab.wait("document.querySelector('#more').innerText === 'Again'")
    assert tab.run("tones") == []
    desk.tell(replace(up, more="It oscillates", cue="starts"))
    tab.wait("tones.length === 2")
    in_order = "[...tones].sort((a, b) => a[1] - b[1]).map((tone) => tone[0])"
    low, high = tab.run(in_order)
    assert low < high
    # The same picture sent again, as after a lost connection, is no news.
    tab.run("tones.length = 0")
    desk.publish("now", {**desk.picture()["now"], "more": "sent again"})
    tab.wait("document.querySelector('#more').innerText === 'sent again'")
    assert tab.run("tones") == []
    desk.tell(Now(("Now slowly BACK",), "", "turn", way="back"))
    tab.wait("tones.length === 1")
    tab.run("tones.length = 0")
    desk.tell(Now(("Now slowly BACK",), "It has stopped", "turn", way="back", cue="stops"))
    tab.wait("tones.length === 2")
    high, low = tab.run(in_order)
    assert low < high
    assert tab.errors() == []
