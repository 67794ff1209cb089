"""A document as one HTML file that needs nothing else: no network, no script; drawings inside."""

from __future__ import annotations

import base64
from html import escape
from urllib.parse import quote

from bench.report.document import Block, Bullets, Document, Heading, Links, Paragraph, Picture, Table

STYLE = """
:root { color-scheme: light; --paper: #fff; --ink: #161616; --soft: #444; --hair: #ccc; --link: #14507d; }
@media screen and (prefers-color-scheme: dark) {
  :root { color-scheme: dark; --paper: #12171a; --ink: #ece8df; --soft: #b8c0c6; --hair: #3c464c; --link: #8ad7e4; }
}
body { font: 17px/1.5 Georgia, "DejaVu Serif", serif; color: var(--ink); background: var(--paper); max-width: 58rem; margin: 2rem auto;
  padding: 0 1.2rem; }
h1, h2, h3, th, caption, .under { font-family: "DejaVu Sans", Verdana, sans-serif; }
h1 { font-size: 1.7rem; line-height: 1.2; margin-bottom: 0; overflow-wrap: anywhere; } .under { color: var(--soft); margin-top: .4rem; }
h2 { font-size: 1.25rem; border-bottom: 2px solid var(--ink); margin-top: 2.6rem; } h3 { font-size: 1rem; margin-top: 1.6rem; }
.strong { border: 2px solid var(--ink); padding: .6rem .9rem; font-weight: bold; }
.scroll { overflow-x: auto; margin-bottom: 1.2rem; }
table { border-collapse: collapse; font-size: .88rem; font-variant-numeric: tabular-nums; }
caption { text-align: left; font-size: .85rem; padding: .4rem 0; }
th { text-align: right; font-size: .78rem; font-weight: normal; color: var(--soft); vertical-align: bottom; }
td { text-align: right; white-space: nowrap; } td.words { white-space: normal; min-width: 14rem; }
th:first-child, td:first-child, td.words, th.words { text-align: left; }
th, td { padding: .15rem .7rem .15rem 0; border-bottom: 1px solid var(--hair); }
img { max-width: 100%; height: auto; border: 1px solid var(--hair); background: #fff; } img.tall { max-width: min(34rem, 100%); }
a { color: var(--link); }
@media (max-width: 40rem) { body { font-size: 16px; margin: 1rem auto; padding: 0 .9rem; } ul { padding-left: 1.2rem; } }
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
