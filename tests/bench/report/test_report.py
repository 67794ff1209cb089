"""The report: complete, self-contained, and harmless whatever people typed."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest

from bench.cli import main
from bench.report import as_html, as_pdf
from bench.report.document import Bullets, Document, Heading, Links, Paragraph, Picture, Table
from bench.session.folder import Session
from bench.session.tables import TABLES

EXAMPLE = Path(__file__).parents[3] / "sessions" / "example"
NASTY = '<script>alert(1)</script> "><img src=x onerror=alert(2)> & \u2603'


# As `readings/onset.py` writes it into every approach's row.
PACE = "2.05 deg/s, corrected by -0.31 deg"


class Page(HTMLParser):
    """Tags with their attributes, and the text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.fixture(scope="module")
def reported(tmp_path_factory: pytest.TempPathFactory) -> Session:
    """The kept example with a note that somebody typed, reported."""
    place = tmp_path_factory.mktemp("report") / "evening"
    shutil.copytree(EXAMPLE, place)
    session = Session.open(place)
    row = {
        "coil": "A",
        "dial": 50.0,
        "f0_hz": 2.34e6,
        "q": 66.0,
        "method": "typed",
        "valve": "working",
        "antenna": "no",
    }
    session.append("resonance", {**row, "note": NASTY})
    state = {"coil": "A", "dial": 20.0, "valve": "working", "antenna": "no"}
    hand = {"position": "panel", "f0_hz": 1.85e6, "f0_u_hz": 30.0, "shift_hz": -950.0, "shift_u_hz": 40.0}
    session.append("body", {**state, **hand})
    pass_ = {"coil": "A", "f_hz": 2.1e6, "direction": "onset", "angle_deg": 81.0, "angle_u_deg": 0.5}
    for note in (PACE, f"{PACE}; the lamp flickered"):
        session.append("onset", {**state, **pass_, "method": "level", "note": note})
    main(["report", str(place)])
    return session


@pytest.fixture(scope="module")
def page(reported: Session) -> Page:
    return Page((reported.path / "report.html").read_text(encoding="utf-8"))


def test_every_reading_coil_and_caution_is_there(page: Page, reported: Session) -> None:
    for row in reported.rows("resonance"):
        assert row["reading"] in page.text
    for coil in reported.plan.coil:
        assert f"Coil {coil.name}" in page.text
    assert "lethal voltages" in page.text
    assert "Local codes and licensed practice come first" in page.text
    fit = reported.read_fit()
    assert fit is not None
    for entry in fit["coils"]:
        for reason in entry["advice"]["reasons"]:
            assert reason in page.text
        for at in entry["onset"]:
            assert f"{at['fitted_deg']:.1f}°" in page.text
            assert f"{at['measured_deg'] - at['fitted_deg']:+.1f}°" in page.text


def test_the_page_needs_nothing_else(page: Page) -> None:
    names = {tag for tag, _ in page.tags}
    assert not names & {"script", "link", "iframe", "object", "embed", "form", "base"}
    for tag, attributes in page.tags:
        assert not [name for name in attributes if name.startswith("on")]
        source = attributes.get("src")
        assert source is None or source.startswith("data:image/svg+xml;base64,")
        target = attributes.get("href")
        assert target is None or re.fullmatch(r"[\w.-]+", target), (tag, target)
    policy = next(a["content"] for t, a in page.tags if t == "meta" and "http-equiv" in a)
    assert policy is not None
    assert "default-src 'none'" in policy


def test_what_people_typed_is_shown_and_does_nothing(page: Page) -> None:
    assert NASTY in page.text
    assert ("img", "x") not in [(tag, attributes.get("src")) for tag, attributes in page.tags]


def test_notes_are_what_somebody_had_to_say(page: Page, reported: Session) -> None:
    assert "the lamp flickered" in page.text
    assert "corrected by" not in page.text
    assert sum(PACE in (row["note"] or "") for row in reported.rows("onset")) == 2


def test_side_checks_are_there_and_what_was_not_read_is_said(page: Page) -> None:
    assert "Side checks" in page.text
    assert "-950" in page.text
    assert "Not read: " in page.text


def test_links_lead_to_files_that_are_there(page: Page, reported: Session) -> None:
    files = [attributes["href"] for tag, attributes in page.tags if tag == "a"]
    assert {"plan.toml", "resonance.csv", "onset.csv", "fit.json"} <= set(files)
    for file in files:
        assert (reported.path / str(file)).is_file()


def test_every_picture_has_words(page: Page) -> None:
    pictures = [attributes for tag, attributes in page.tags if tag == "img"]
    # The set, three coils, and the side checks of one.
    assert len(pictures) == 5
    assert all(len(one.get("alt") or "") > 20 for one in pictures)


def test_the_pdf_is_one_with_its_fonts_inside(reported: Session) -> None:
    data = (reported.path / "report.pdf").read_bytes()
    assert data.startswith(b"%PDF-1.")
    assert data.rstrip().endswith(b"%%EOF")
    assert len(re.findall(rb"/Type /Page\b(?!s)", data)) >= 4
    assert b"/FontFile2" in data
    assert b"DejaVuSans" in data


def test_a_session_without_readings_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Session.create(tmp_path / "s", (EXAMPLE / "plan.toml").read_text(encoding="utf-8"))
    with pytest.raises(SystemExit) as stop:
        main(["report", str(tmp_path / "s")])
    assert stop.value.code == 1
    assert "regenbench measure" in capsys.readouterr().err.splitlines()[-1]
    assert not (tmp_path / "s" / "report.html").exists()


@pytest.mark.parametrize("write", [as_html.write, as_pdf.write])
def test_every_kind_of_block_is_written(write: Callable[[Document], object]) -> None:
    from matplotlib.figure import Figure

    from bench.charts.style import png_bytes, svg_bytes

    figure = Figure(figsize=(2, 9))
    blocks = (
        Heading("One"),
        Heading("Two", 3),
        Paragraph("Running text."),
        Paragraph("Look out.", strong=True),
        Bullets(("first", "second")),
        Table("Nothing", ("a", "b"), ()),
        Table("Something", ("a", "b"), (("1", "x" * 300), ("2", ""))),
        Picture("A tall drawing.", svg_bytes(figure), png_bytes(figure)),
        Links("Files:", tuple(table.file for table in TABLES.values())),
    )
    assert len(str(write(Document("Title", "under", blocks)))) > 1000
