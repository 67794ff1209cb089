"""The wiring picture and page go with the firmware."""

from __future__ import annotations

import re
import runpy
from pathlib import Path

import drivers

FIRMWARE = Path(drivers.__file__).with_name("firmware")


def test_picture_page_and_firmware_name_the_same_pins() -> None:
    firmware = (FIRMWARE / "main.py").read_text()
    figure = runpy.run_path(str(FIRMWARE / "draw_wiring.py"))["draw"]()
    shown = {text.get_text() for text in figure.axes[0].texts}
    saved = (FIRMWARE / "wiring.svg").read_text()
    table = set(re.findall(r"^\| (GP\d+)", firmware, re.MULTILINE))
    used = {f"GP{number}" for number in re.findall(r"\b(15|26|27|28)[,\]]", firmware)}
    assert used == table
    assert {name for name in shown if name.startswith("GP")} == table - {"GP28"}
    # The saved picture is the drawn one.
    assert all(text.replace("'", "&apos;") in saved or text in saved for text in shown)


def test_the_caution_stands_before_the_parts() -> None:
    page = (FIRMWARE / "README.md").read_text()
    assert page.index("lethal") < page.index("## Parts")
