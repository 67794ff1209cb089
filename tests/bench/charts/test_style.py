"""Paper, type and files."""

from __future__ import annotations

import re
import struct
import xml.etree.ElementTree as ET
import zlib
from pathlib import Path
from typing import Any

import pytest

from bench.charts import file_stems
from bench.charts.coil import draw_coil
from bench.charts.page import coil_page
from bench.charts.style import Sheet, printable, save, shorten, text_width_mm, wrap
from bench.conventions import CHART_FORMATS


def test_width_of_text_is_that_of_the_fonts_own_table() -> None:
    # Advance widths by fontTools, straight from the font file; no pair of these letters is kerned.
    from fontTools.ttLib import TTFont
    from matplotlib.font_manager import FontProperties, findfont

    with TTFont(findfont(FontProperties(family="DejaVu Sans"))) as font:
        table, names, unit = font["hmtx"], font.getBestCmap(), font["head"].unitsPerEm
        expected = sum(table[names[ord(c)]][0] for c in "hnhnhn3456") / unit * 10 / 72 * 25.4
    assert text_width_mm("hnhnhn3456", 10.0) == pytest.approx(expected, rel=0.01)


def test_wrap_keeps_every_word_and_the_width() -> None:
    text = "Take off one tickler turn and read the onset again at every frequency of the plan"
    lines = wrap(text, 40.0, 8.0)
    assert " ".join(lines) == text
    assert len(lines) > 2
    assert max(text_width_mm(line, 8.0) for line in lines) <= 40.0
    cut = wrap(text, 40.0, 8.0, lines=2)
    assert len(cut) == 2
    assert cut[1].endswith("...")
    assert text_width_mm(cut[1], 8.0) <= 40.0


def test_shorten_a_word_that_is_too_long() -> None:
    short = shorten("W" * 60, 30.0, 8.0)
    assert short.endswith("W...")
    assert text_width_mm(short, 8.0) <= 30.0
    assert wrap("W" * 60, 30.0, 8.0) == [short]


def test_printable() -> None:
    assert printable("µH ± ½ Ω\tand\n電") == "µH ± ½ Ω and ?"
    assert printable("a\x00b\u202e") == "a?b?"


def test_nothing_in_a_text_is_mathematics() -> None:
    sheet = Sheet(50, 50)
    assert sheet.text(1, 1, "$x^2$").get_text() == "$x^2$"
    assert not sheet.text(1, 1, "$x^2$").get_parse_math()


@pytest.fixture
def figure(bench: Any) -> Any:
    b = bench()
    return lambda paper="a5": draw_coil(coil_page(b.plan, b.tables, b.fit, "B"), paper)


def test_the_same_chart_gives_the_same_bytes(figure: Any, tmp_path: Path) -> None:
    first = save(figure(), tmp_path / "one", CHART_FORMATS)
    second = save(figure(), tmp_path / "two", CHART_FORMATS)
    assert [p.name for p in first] == ["one.pdf", "one.png", "one.svg"]
    for a, b in zip(first, second, strict=True):
        assert a.read_bytes() == b.read_bytes()


def test_pdf(figure: Any, tmp_path: Path) -> None:
    raw = save(figure(), tmp_path / "chart", ["pdf"])[0].read_bytes()
    assert raw.startswith(b"%PDF-")
    assert b"CreationDate" not in raw
    # ISO 216: A5 is 148 mm by 210 mm; a PDF point is 1/72 inch.
    box = [float(v) for v in re.search(rb"/MediaBox \[([^]]+)\]", raw)[1].split()]
    assert box[2:] == pytest.approx([148 / 25.4 * 72, 210 / 25.4 * 72], abs=0.01)
    # Every font is embedded as TrueType (FontFile2, ISO 32000-1, 9.9), and none as Type 3.
    assert raw.count(b"/FontFile2") == len(set(re.findall(rb"/FontName /(\S+)", raw))) == 2
    assert b"/Type3" not in raw


def test_half_letter(figure: Any, tmp_path: Path) -> None:
    raw = save(figure("half-letter"), tmp_path / "chart", ["pdf"])[0].read_bytes()
    box = [float(v) for v in re.search(rb"/MediaBox \[([^]]+)\]", raw)[1].split()]
    # Half of a 8.5 by 11 inch sheet (ANSI/ASME Y14.1 size A).
    assert box[2:] == pytest.approx([5.5 * 72, 8.5 * 72], abs=0.01)


def test_svg(figure: Any, tmp_path: Path) -> None:
    raw = save(figure(), tmp_path / "chart", ["svg"])[0].read_bytes()
    root = ET.fromstring(raw)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert float(root.get("width", "").removesuffix("pt")) == pytest.approx(148 / 25.4 * 72, abs=0.01)
    # Letters are outlines: the page looks the same where the font is missing.
    assert root.find(".//{http://www.w3.org/2000/svg}text") is None
    assert not re.search(rb"<dc:date>", raw)
    ids = {e.get("id") for e in root.iter() if e.get("id")}
    assert {"fitted onset", "Q law", "frequency marks 0"} <= ids


def test_png_is_small_and_true(figure: Any, tmp_path: Path) -> None:
    import numpy as np
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    path = save(figure(), tmp_path / "chart", ["png"])[0]
    raw = path.read_bytes()
    assert len(raw) < 200_000
    width, height = struct.unpack(">II", raw[16:24])
    assert (width / 200 * 25.4, height / 200 * 25.4) == pytest.approx((148, 210), abs=0.3)
    assert zlib.crc32(raw[12:29]) == struct.unpack(">I", raw[29:33])[0]
    drawn = figure()
    drawn.set_dpi(200)
    canvas = FigureCanvasAgg(drawn)
    canvas.draw()
    full = np.asarray(canvas.buffer_rgba())[:, :, :3].astype(int)
    with Image.open(path) as image:
        small = np.asarray(image.convert("RGB")).astype(int)
    assert np.abs(full - small).max() <= 8
    assert small.max() == 255


def test_file_names_are_safe_and_unlike() -> None:
    stems = file_stems(["B", "b", "80 m", "80_m", "overview", "CON", "nul.old", "x.1", "Ä"])
    assert stems["B"] == "B"
    assert stems["80 m"] == "80_m"
    assert stems["x.1"] == "x.1"
    lowered = [s.lower() for s in stems.values()]
    assert len(set(lowered)) == len(lowered)
    assert "overview" not in lowered
    assert "con" not in lowered
    assert "nul.old" not in lowered
    assert all(re.fullmatch(r"[A-Za-z0-9_-][A-Za-z0-9._-]*", s) for s in stems.values())
