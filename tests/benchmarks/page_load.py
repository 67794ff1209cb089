"""What the live page costs: processor share at 20 updates a second, and time to the first picture.

    python tests/benchmarks/page_load.py [SECONDS]

The page's process gets 200 frames of the sensor a second through the same code as `measure` (angle and level, told 20
times a second), and a new sweep with its fit twice a second. Shares are processor time over time of life, of one core.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
EXAMPLE = HERE.parents[1] / "sessions" / "example"
FRAMES_PER_S = 200
SWEEPS_PER_S = 2
LOADS = 5
# Notes when the first words and the first picture stood on the page, in milliseconds after its address was entered.
NOTICE = """
new MutationObserver((_, self) => { if (document.querySelector('#say p') && document.querySelector('#knob svg')) {
  requestAnimationFrame(() => { window.shownAt = performance.now(); }); self.disconnect(); } })
  .observe(document, {childList: true, subtree: true});
"""


def serve() -> None:
    """The page's own process: prints its address, then feeds the desk until it is ended."""
    import numpy as np

    from bench.page import facts
    from bench.page.desk import ALWAYS, Desk, Now
    from bench.page.seat import Seat
    from bench.page.server import PageServer
    from bench.physics.resonance import fit_sweep
    from bench.readings.turning import Stops
    from bench.session.folder import Session
    from drivers.roles import Sample

    desk = Desk()
    session = Session.open(EXAMPLE)
    seat = Seat(session, desk)
    seat.sight.learned(Stops(0.0, 1.0, 300.0))
    desk.allow(ALWAYS)
    desk.tell(Now(("Turn slowly UP",), "until it oscillates", "turn", way="up"))
    f = np.linspace(3.3e6, 3.45e6, 101)
    rng = np.random.default_rng(1)
    sweeps = []
    for _ in range(8):
        s11 = 0.9 - 0.1 / (1 + 2j * 110 * (f / 3.37e6 - 1)) + 1e-3 * rng.standard_normal(101)
        sweeps.append((s11, fit_sweep(f, s11)))
    with PageServer(desk) as server:
        print(server.address, flush=True)
        begun = time.monotonic()
        number = 0
        while True:
            frames = [Sample(0.0, (number + n) % 4000 / 4000, 0.3, False) for n in range(FRAMES_PER_S // 50)]
            seat.sight.show(frames)
            number += len(frames)
            if number % (FRAMES_PER_S // SWEEPS_PER_S) == 0:
                s11, found = sweeps[number // 100 % len(sweeps)]
                desk.publish("sweep", facts.sweep_facts(session.plan, "coil B", f, s11, found))
            time.sleep(max(0.0, begun + number / FRAMES_PER_S - time.monotonic()))


def used_s(pid: int) -> float:
    """Processor seconds that a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def family(pid: int) -> list[int]:
    """A process that leads a group, and its group."""
    found = [pid]
    for place in Path("/proc").glob("[0-9]*/stat"):
        one = int(place.parent.name)
        # Processes come and go while they are counted.
        with suppress(OSError):
            if one != pid and os.getpgid(one) == pid:
                found.append(one)
    return found


def browser_class() -> Any:
    """The tests' browser."""
    where = HERE.parent / "bench" / "page" / "conftest.py"
    spec = importlib.util.spec_from_file_location("page_browser", where)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.Browser


def main(seconds: float) -> None:
    program = shutil.which("chromium")
    if program is None:
        sys.exit("needs Debian's chromium")
    page = subprocess.Popen([sys.executable, __file__, "serve"], stdout=subprocess.PIPE, text=True)
    assert page.stdout is not None
    address = page.stdout.readline().strip()
    print(f"{'open tabs':>10}{'page process':>16}{'browser':>12}{'updates a second in a tab':>28}")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        browser = browser_class()(program, Path(folder) / "profile")
        try:
            tabs: list[Any] = []
            for count in (0, 1, 3):
                while len(tabs) < count:
                    tabs.append(browser.open(address))
                    tabs[-1].screen(1366, 768)
                rate = measure(page.pid, browser, tabs, seconds)
                print(f"{count:>10}{rate[0]:>15.1%} {rate[1]:>11.1%}{rate[2]:>24.1f}")
            while tabs:
                tabs.pop().close()
            shown, painted = [], []
            for _ in range(LOADS):
                tab = browser.open("data:text/html,")
                tab.screen(1366, 768)
                tab.call("Page.addScriptToEvaluateOnNewDocument", {"source": NOTICE})
                tab.go(address)
                tab.wait("window.shownAt")
                shown.append(tab.run("window.shownAt"))
                painted.append(
                    tab.run("performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? 0")
                )
                tab.close()
            print(
                f"\nfirst paint {statistics.median(painted):.0f} ms, first picture with all its facts "
                f"{statistics.median(shown):.0f} ms (worst of {LOADS}: {max(shown):.0f} ms) after the address was entered"
            )
        finally:
            browser.close()
            page.terminate()
            page.wait(10)
            page.stdout.close()
    print(f"load average of this machine meanwhile: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")


def measure(pid: int, browser: Any, tabs: list[Any], seconds: float) -> tuple[float, float, float]:
    """Processor shares of page and browser, and how often the first tab's hand moved in a second."""
    count = """(() => { window.moves = 0; const hand = document.querySelector('#knob');
      window.eye = new MutationObserver(() => { window.moves += 1; }); window.eye.observe(hand, {attributes: true, attributeFilter: ['aria-valuetext']}); })()"""
    if tabs:
        tabs[0].wait("document.querySelector('#knob').getAttribute('aria-valuetext')")
        tabs[0].call("Page.bringToFront")
        tabs[0].run(count)
    before, mine = used_s(pid), sum(used_s(one) for one in family(browser.pid))
    begun = time.monotonic()
    time.sleep(seconds)
    passed = time.monotonic() - begun
    page = (used_s(pid) - before) / passed
    share = (sum(used_s(one) for one in family(browser.pid)) - mine) / passed
    moves = tabs[0].run("window.eye.disconnect(), window.moves") / passed if tabs else 0.0
    return page, share, moves


if __name__ == "__main__":
    if sys.argv[1:2] == ["serve"]:
        serve()
    else:
        main(float(sys.argv[1]) if len(sys.argv) > 1 else 10.0)
