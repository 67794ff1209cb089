"""A document as one HTML file that needs nothing else: no network, no script; drawings inside."""

from __future__ import annotations

import base64
from html import escape
from urllib.parse import quote

from bench.report.document import Block, Bullets, Document, Heading, Links, Paragraph, Picture, Table

STYLE = """
:root { color-scheme: light; }
body { font: 17px/1.5 Georgia, "DejaVu Serif", serif; color: #161616; background: #fff; max-width: 58rem; margin: 2rem auto;
  padding: 0 1.2rem; }
h1, h2, h3, th, caption, .under { font-family: "DejaVu Sans", Verdana, sans-serif; }
h1 { font-size: 1.7rem; margin-bottom: 0; } .under { color: #444; margin-top: .2rem; }
h2 { font-size: 1.25rem; border-bottom: 2px solid #161616; margin-top: 2.6rem; } h3 { font-size: 1rem; margin-top: 1.6rem; }
.strong { border: 2px solid #161616; padding: .6rem .9rem; font-weight: bold; }
.scroll { overflow-x: auto; } table { border-collapse: collapse; font-size: .88rem; font-variant-numeric: tabular-nums; }
caption { text-align: left; font-size: .85rem; padding: .4rem 0; } th { text-align: right; font-size: .78rem; font-weight: normal; color: #444;
  vertical-align: bottom; } td { text-align: right; } th:first-child, td:first-child, td.words, th.words { text-align: left; }
th, td { padding: .15rem .7rem .15rem 0; border-bottom: 1px solid #ccc; } img { max-width: 100%; height: auto; border: 1px solid #ccc; }
img.tall { max-width: 34rem; } a { color: #14507d; }
@media print { body { max-width: none; font-size: 11pt; } h2 { break-after: avoid; } img, table { break-inside: avoid; } }
"""
POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"


def write(document: Document) -> str:
    """The whole page as text."""
    body = "\n".join(_block(block) for block in document.blocks)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="{escape(POLICY)}">
<title>{escape(document.title)}</title>
<style>{STYLE}</style>
</head>
<body>
<main>
<h1>{escape(document.title)}</h1>
<p class="under">{escape(document.under)}</p>
{body}
</main>
</body>
</html>
"""


def _block(block: Block) -> str:
    match block:
        case Heading(text, level):
            return f"<h{level}>{escape(text)}</h{level}>"
        case Paragraph(text, strong):
            return f'<p class="strong">{escape(text)}</p>' if strong else f"<p>{escape(text)}</p>"
        case Bullets(items):
            return "<ul>" + "".join(f"<li>{escape(item)}</li>" for item in items) + "</ul>"
        case Links(text, files):
            links = ", ".join(f'<a href="{escape(quote(file))}">{escape(file)}</a>' for file in files)
            return f"<p>{escape(text)} {links}</p>"
        case Picture(words, svg, _, wide):
            data = base64.b64encode(svg).decode("ascii")
            shape = "" if wide else ' class="tall"'
            return f'<p><img{shape} src="data:image/svg+xml;base64,{data}" alt="{escape(words)}"></p>'
        case Table():
            return _table(block)


def _table(table: Table) -> str:
    wordy = [at for at in range(len(table.heads)) if any(len(row[at]) > 24 for row in table.rows)]

    def cells(kind: str, texts: tuple[str, ...]) -> str:
        out = ""
        for at, text in enumerate(texts):
            words = ' class="words"' if at in wordy else ""
            scope = ' scope="col"' if kind == "th" else ""
            out += f"<{kind}{words}{scope}>{escape(text)}</{kind}>"
        return out

    rows = "\n".join(f"<tr>{cells('td', row)}</tr>" for row in table.rows)
    return (
        f'<div class="scroll"><table><caption>{escape(table.caption)}</caption>\n'
        f"<thead><tr>{cells('th', table.heads)}</tr></thead>\n<tbody>{rows}</tbody></table></div>"
    )
