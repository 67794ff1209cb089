"""A folder of sweep files as an analyzer: whole files, the right ones, and no other."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import skrf
from patience import with_longer_limits

from drivers.errors import LinkLost, Misuse, PortMissing, TimedOut
from drivers.folder import FolderAnalyzer
from drivers.registry import open_instrument
from drivers.roles import Analyzer, Announces
from drivers.touchstone import sweep_text

SPAN = (3.2e6, 3.8e6)


def saved(
    folder: Path, name: str, tank: Any, low: float = SPAN[0], high: float = SPAN[1], points: int = 61
) -> str:
    """A sweep as scikit-rf writes it: the text, not yet in the folder."""
    f_hz = np.linspace(low, high, points)
    network = skrf.Network(f=f_hz, f_unit="Hz", s=tank.reflection(f_hz), z0=50)
    text: str = network.write_touchstone(name, return_string=True, form="ri")
    return text


def later(seconds: float, do: Callable[[], object]) -> threading.Timer:
    timer = threading.Timer(seconds, do)
    timer.start()
    return timer


@pytest.fixture
def told() -> list[str]:
    return []


@pytest.fixture
def analyzer(tmp_path: Path, told: list[str]) -> FolderAnalyzer:
    return FolderAnalyzer(str(tmp_path), wait_s=20.0, tell=told.append)


def test_a_plan_opens_it(tmp_path: Path) -> None:
    limits = {"low_hz": 1e6, "high_hz": 3e7, "most_points": 201, "seconds_per_point": 0.01}
    driver = open_instrument("analyzer", {"driver": "folder", "path": str(tmp_path), "limits": limits})
    assert isinstance(driver, Analyzer)
    assert isinstance(driver, Announces)
    assert driver.limits.most_points == 201
    assert driver.limits.list_points == 0
    assert "0 sweep files" in driver.identify()
    with pytest.raises(Misuse):
        driver.sweep(1e5, 2e6, 101)
    driver.close()
    driver.close()
    with pytest.raises(LinkLost):
        driver.sweep(*SPAN, 101)


def test_the_next_file_is_taken_and_no_earlier_one(
    analyzer: FolderAnalyzer, tmp_path: Path, tank: Any, told: list[str]
) -> None:
    old = saved(tmp_path, "old", tank, 3.0e6, 4.0e6)
    (tmp_path / "old.s1p").write_text(old)
    new = saved(tmp_path, "new", tank)
    later(0.3, lambda: (tmp_path / "new.s1p").write_text(new))
    sweep = analyzer.sweep(*SPAN, 61)
    assert len(sweep.f_hz) == 61
    np.testing.assert_allclose(sweep.s11, tank.reflection(sweep.f_hz), atol=1e-9)
    assert told == [
        f"Sweep 3200.0 to 3800.0 kHz with 61 points or more, and save it as Touchstone into {tmp_path}."
    ]


def test_a_file_may_have_points_wherever_the_analyzer_put_them(
    analyzer: FolderAnalyzer, tmp_path: Path, tank: Any
) -> None:
    """A list or segments of the analyzer's own: all that counts is that the range is covered by enough points."""
    f_hz = np.unique(np.concatenate([np.linspace(3.2e6, 3.8e6, 15), np.linspace(3.45e6, 3.55e6, 60)]))
    later(0.2, lambda: (tmp_path / "list.s1p").write_text(sweep_text(f_hz, tank.reflection(f_hz))))
    sweep = analyzer.sweep(*SPAN, 61)
    np.testing.assert_allclose(sweep.f_hz, f_hz, atol=1.0)
    np.testing.assert_allclose(sweep.s11, tank.reflection(sweep.f_hz), atol=1e-8)


def test_a_file_that_is_still_being_written_is_waited_for(
    analyzer: FolderAnalyzer, tmp_path: Path, tank: Any
) -> None:
    text = saved(tmp_path, "slow", tank)

    def slowly() -> None:
        with (tmp_path / "slow.s1p").open("w") as file:
            for at in range(0, len(text), 700):
                file.write(text[at : at + 700])
                file.flush()
                time.sleep(0.4)

    later(0.0, slowly)
    assert len(analyzer.sweep(*SPAN, 61).f_hz) == 61


def test_a_name_used_again_is_a_new_sweep(analyzer: FolderAnalyzer, tmp_path: Path, tank: Any) -> None:
    file = tmp_path / "sweep.s1p"
    file.write_text(saved(tmp_path, "sweep", tank, points=31))
    later(0.4, lambda: file.write_text(saved(tmp_path, "sweep", tank, points=41)))
    assert len(analyzer.sweep(*SPAN, 41).f_hz) == 41


def test_a_sweep_of_something_else_is_named_and_not_taken(
    analyzer: FolderAnalyzer, tmp_path: Path, tank: Any, told: list[str]
) -> None:
    later(0.1, lambda: (tmp_path / "a.s1p").write_text(saved(tmp_path, "a", tank, 3.4e6, 3.8e6)))
    later(1.6, lambda: (tmp_path / "b.s1p").write_text(saved(tmp_path, "b", tank, 3.0e6, 3.9e6)))
    sweep = analyzer.sweep(*SPAN, 61)
    assert sweep.f_hz[0] == pytest.approx(3.0e6)
    assert told[1] == (
        "a.s1p holds 61 points from 3400.0 to 3800.0 kHz; needed are 61 or more from 3200.0 to 3800.0 kHz. Still waiting."
    )


def test_a_file_cut_short_is_named_and_not_taken(
    tmp_path: Path, tank: Any, told: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("drivers.folder.GRACE_S", 0.8)
    text = saved(tmp_path, "cut", tank)

    def scenario(wait_s: float) -> None:
        analyzer = FolderAnalyzer(str(tmp_path), wait_s=wait_s, tell=told.append)
        name = f"cut{wait_s}.s1p"
        later(0.1, lambda: (tmp_path / name).write_text(text[: len(text) // 2]))
        with pytest.raises(TimedOut, match="no new sweep came"):
            analyzer.sweep(*SPAN, 61)
        assert any(name in line and "Still waiting" in line for line in told)

    with_longer_limits(scenario, (2.5, 15.0))


def test_other_files_do_not_matter(analyzer: FolderAnalyzer, tmp_path: Path, tank: Any) -> None:
    (tmp_path / "sub.s1p").mkdir()
    later(0.0, lambda: (tmp_path / "photo.jpg").write_bytes(b"x"))
    later(0.0, lambda: (tmp_path / ".hidden.s1p").write_text("x"))
    later(0.2, lambda: (tmp_path / "good.S1P").write_text(saved(tmp_path, "good", tank)))
    assert len(analyzer.sweep(*SPAN, 61).f_hz) == 61


def test_no_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(PortMissing, match="no such folder"):
        FolderAnalyzer(str(tmp_path / "nowhere"))


def test_a_card_pulled_out_ends_the_reading(tmp_path: Path) -> None:
    folder = tmp_path / "card"
    folder.mkdir()
    analyzer = FolderAnalyzer(str(folder), wait_s=20.0, tell=lambda line: None)
    later(0.3, lambda: os.rmdir(folder))  # noqa: PTH106
    with pytest.raises(LinkLost, match="cannot be read any more"):
        analyzer.sweep(*SPAN, 61)
