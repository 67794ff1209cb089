"""Tables of a description, field by field: every mistake is told by the field's name and what is allowed there."""

from __future__ import annotations

import re
from collections.abc import Mapping
from difflib import get_close_matches
from typing import Any

from drivers.errors import Misuse


class Fields:
    """A table of the description that knows where it stands and what was not asked for."""

    def __init__(self, table: object, where: str, source: str) -> None:
        if not isinstance(table, Mapping):
            raise Misuse(f"{where} must be a table of names and values.", port=source)
        self._table = table
        self._where = where
        self._source = source
        self._known: set[str] = set()

    def wrong(self, key: str, what: str) -> Misuse:
        place = f"{self._where}.{key}" if self._where else key
        return Misuse(
            f"{place}: {what}.",
            port=self._source,
            hint="drivers/descriptions/README.md explains every field.",
        )

    def _get(self, key: str, default: Any) -> Any:
        self._known.add(key)
        if key in self._table:
            return self._table[key]
        if default is None:
            raise self.wrong(key, "is missing")
        return default

    def text(self, key: str, default: str | None = None, longest: int = 120) -> str:
        value = self._get(key, default)
        if not isinstance(value, str) or len(value) > longest:
            raise self.wrong(key, f"must be text of at most {longest} characters, not {str(value)[:40]!r}")
        if not value.isascii() or any(ord(one) < 32 and one != "\t" for one in value):
            raise self.wrong(key, "must be printable ASCII on one line; line ends are added by the program")
        return value

    def choice(self, key: str, choices: tuple[str, ...], default: str | None = None) -> str:
        value = self._get(key, default)
        if value not in choices:
            shown = ", ".join(repr(one) for one in choices)
            raise self.wrong(key, f"must be one of {shown}, not {str(value)[:40]!r}")
        return str(value)

    def number(self, key: str, least: float, most: float, default: float | None = None) -> float:
        value = self._get(key, default)
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not least <= value <= most:
            raise self.wrong(key, f"must be a number from {least:g} to {most:g}, not {str(value)[:40]!r}")
        return float(value)

    def whole(self, key: str, least: int, most: int, default: int | None = None) -> int:
        value = self.number(key, least, most, default)
        if value != int(value):
            raise self.wrong(key, f"must be a whole number, not {value:g}")
        return int(value)

    def flag(self, key: str, default: bool) -> bool:
        value = self._get(key, default)
        if not isinstance(value, bool):
            raise self.wrong(key, f"must be true or false, not {str(value)[:40]!r}")
        return value

    def texts(self, key: str, default: tuple[str, ...] | None = None) -> tuple[str, ...]:
        value = self._get(key, default)
        if isinstance(value, str):
            value = [value]
        if not isinstance(value, (list, tuple)) or len(value) > 20:
            raise self.wrong(key, "must be a text or a list of at most 20 texts")
        return tuple(Fields({key: one}, self._where, self._source).text(key) for one in value)

    def command(self, key: str, fields: Mapping[str, int], default: str | None = None) -> str:
        return self._fields_checked(key, self.text(key, default), fields)

    def commands(self, key: str, fields: Mapping[str, int]) -> tuple[str, ...]:
        return tuple(self._fields_checked(key, one, fields) for one in self.texts(key))

    def _fields_checked(self, key: str, text: str, fields: Mapping[str, int]) -> str:
        for name in re.findall(r"\{([^{}]*)\}", text):
            if name not in fields:
                near = get_close_matches(name, fields, 1)
                guess = f"; do you mean {{{near[0]}}}?" if near else f"; known are {', '.join(fields)}"
                raise self.wrong(key, f"there is nothing to fill in for {{{name[:40]}}}{guess}")
        if re.search(r"[{}]", re.sub(r"\{[^{}]*\}", "", text)):
            raise self.wrong(key, "has a brace without its partner")
        return text

    def decimals(self, key: str, fields: Mapping[str, int]) -> dict[str, int]:
        table = Fields(self._get(key, {}), f"{self._where}.{key}", self._source)
        for name in table._table:
            if name not in fields:
                raise table.wrong(str(name)[:40], f"is no number of a command; known are {', '.join(fields)}")
        return {name: table.whole(name, 0, 9) for name in table._table}

    def table(self, key: str, default: Mapping[str, Any] | None = None) -> Fields:
        return Fields(self._get(key, default), f"{self._where}.{key}".lstrip("."), self._source)

    def tables(self, key: str) -> list[Fields]:
        value = self._get(key, None)
        if isinstance(value, Mapping):
            value = [value]
        if not isinstance(value, list) or not 1 <= len(value) <= 8:
            raise self.wrong(key, "must be a table or a list of at most 8 tables")
        return [Fields(one, f"{self._where}.{key}", self._source) for one in value]

    def has(self, key: str) -> bool:
        self._known.add(key)
        return key in self._table

    def done(self) -> None:
        """Refuse what nobody asked for."""
        for key in self._table:
            if key not in self._known:
                near = get_close_matches(str(key), self._known, 1)
                raise self.wrong(
                    str(key)[:40],
                    f"is not known here; do you mean {near[0]!r}" if near else "is not known here",
                )
