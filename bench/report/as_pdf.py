"""A document as a PDF: A4, fonts embedded, set by fpdf2."""

from __future__ import annotations

from io import BytesIO
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING

from bench.report.document import Block, Bullets, Document, Heading, Links, Paragraph, Picture, Table

if TYPE_CHECKING:
    from fpdf import FPDF

FONT = "DejaVu Sans"
BODY_PT = 9.5
MARGIN_MM = 16.0
# A4 less the margins, and what a picture may take of a page's height.
WIDE_MM, HIGH_MM = 210.0 - 2 * MARGIN_MM, 240.0
TALL_MM = 128.0
PAGE_MM, HEADING_MM = 297.0, 12.0


def write(document: Document) -> bytes:
    """The whole document as a PDF file's bytes."""
    pdf = _empty(document)
    pdf.set_font(FONT, "B", 16)
    pdf.multi_cell(0, 8, document.title, new_x="LMARGIN", new_y="NEXT")
    pdf.set_font(FONT, "", BODY_PT)
    pdf.multi_cell(0, 5, document.under, new_x="LMARGIN", new_y="NEXT")
    for block, then in zip_longest(document.blocks, document.blocks[1:]):
        # A heading stays with its picture.
        high_mm = _size(then)[1] if isinstance(then, Picture) and isinstance(block, Heading) else 0.0
        if high_mm and pdf.get_y() + HEADING_MM + high_mm > PAGE_MM - MARGIN_MM:
            pdf.add_page()
        _block(pdf, block)
    return bytes(pdf.output())


def _empty(document: Document) -> FPDF:
    from fpdf import FPDF
    from matplotlib import get_data_path

    class Paper(FPDF):
        def footer(self) -> None:
            self.set_y(-12)
            self.set_font(FONT, "", 7.5)
            self.cell(0, 5, f"{document.title}   {self.page_no()}/{{nb}}", align="R")

    pdf = Paper(format="A4")
    fonts = Path(get_data_path()) / "fonts" / "ttf"
    pdf.add_font(FONT, "", str(fonts / "DejaVuSans.ttf"))
    pdf.add_font(FONT, "B", str(fonts / "DejaVuSans-Bold.ttf"))
    pdf.set_title(document.title)
    pdf.set_creator("regenbench")
    pdf.set_margin(MARGIN_MM)
    pdf.set_auto_page_break(True, margin=MARGIN_MM)
    pdf.add_page()
    return pdf


def _block(pdf: FPDF, block: Block) -> None:
    match block:
        case Heading(text, level):
            if pdf.get_y() > (120 if level == 2 else 235):
                pdf.add_page()
            pdf.ln(5 if level == 2 else 3)
            pdf.set_font(FONT, "B", 13 if level == 2 else 10.5)
            pdf.multi_cell(0, 6, text, new_x="LMARGIN", new_y="NEXT")
            pdf.ln(1)
        case Paragraph(text, strong):
            pdf.set_font(FONT, "B" if strong else "", BODY_PT)
            pdf.multi_cell(
                0,
                5,
                text,
                align="L",
                border=1 if strong else 0,
                new_x="LMARGIN",
                new_y="NEXT",
                padding=2 if strong else 0,
            )
            pdf.ln(1.5)
        case Bullets(items):
            pdf.set_font(FONT, "", BODY_PT)
            for item in items:
                pdf.multi_cell(0, 5, f"•  {item}", align="L", new_x="LMARGIN", new_y="NEXT")
            pdf.ln(1.5)
        case Links(text, files):
            pdf.set_font(FONT, "", BODY_PT)
            pdf.multi_cell(0, 5, f"{text} {', '.join(files)}", align="L", new_x="LMARGIN", new_y="NEXT")
            pdf.ln(1.5)
        case Picture():
            _picture(pdf, block)
        case Table():
            _table(pdf, block)


def _size(picture: Picture) -> tuple[float, float]:
    """Width and height on the paper, millimetres."""
    from PIL import Image

    width_mm = WIDE_MM if picture.wide else TALL_MM
    with Image.open(BytesIO(picture.png)) as image:
        high_mm = width_mm * image.height / image.width
    return (width_mm * HIGH_MM / high_mm, HIGH_MM) if high_mm > HIGH_MM else (width_mm, high_mm)


def _picture(pdf: FPDF, picture: Picture) -> None:
    width_mm, high_mm = _size(picture)
    if pdf.get_y() + high_mm > PAGE_MM - MARGIN_MM:
        pdf.add_page()
    pdf.image(BytesIO(picture.png), x=(210 - width_mm) / 2, w=width_mm)
    pdf.ln(3)


def _table(pdf: FPDF, table: Table) -> None:
    from fpdf.fonts import FontFace

    if not table.rows:
        return
    if pdf.get_y() > 250:
        pdf.add_page()
    pdf.set_font(FONT, "B", 8.5)
    pdf.multi_cell(0, 5, table.caption, new_x="LMARGIN", new_y="NEXT")
    many = len(table.heads)
    pdf.set_font(FONT, "", 7.5 if many <= 8 else 6.3)
    # A head may break between its words; cells stay whole, within reason.
    longest = [
        max(
            *(1.25 * len(word) for word in table.heads[at].split()),
            *(min(len(row[at]), 40) for row in table.rows),
            5,
        )
        for at in range(many)
    ]
    with pdf.table(
        borders_layout="HORIZONTAL_LINES",
        headings_style=FontFace(emphasis="BOLD"),
        line_height=4.2,
        text_align="LEFT",
        col_widths=tuple(round(10 * one) for one in longest),
        padding=0.6,
    ) as sheet:
        for cells in (table.heads, *table.rows):
            row = sheet.row()
            for cell in cells:
                row.cell(cell)
    pdf.ln(2)
