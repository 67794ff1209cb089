"""What a report is made of: a few kinds of block, whatever they are written as."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Heading:
    """A heading; level 2 opens a chapter, 3 a part of one."""

    text: str
    level: int = 2


@dataclass(frozen=True)
class Paragraph:
    """Running text; `strong` for what must not be overlooked."""

    text: str
    strong: bool = False


@dataclass(frozen=True)
class Bullets:
    """Short sentences, one below the other."""

    items: tuple[str, ...]


@dataclass(frozen=True)
class Table:
    """Rows of cells under their heads; every row as long as `heads`."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Picture:
    """A drawing, as SVG for a screen and PNG for paper; `words` say what it shows."""

    words: str
    svg: bytes
    png: bytes
    wide: bool = False


@dataclass(frozen=True)
class Links:
    """Files of the session, by their path within it."""

    text: str
    files: tuple[str, ...]


Block = Heading | Paragraph | Bullets | Table | Picture | Links


@dataclass(frozen=True)
class Document:
    """A title, a line below it, and the blocks."""

    title: str
    under: str
    blocks: tuple[Block, ...] = field(default_factory=tuple)
