"""On which line each key and value of a TOML text stands; the standard reader does not say.

A walk over the grammar of TOML 1.0 that keeps places only. It is meant for text that :mod:`tomllib` has read already.
"""

from __future__ import annotations

import re
import tomllib

KeyPath = tuple[str | int, ...]

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^\s,\]\}#][^,\]\}#\n]*")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")


class _Walker:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[KeyPath, int] = {}
        self.tables: dict[KeyPath, int] = {}

    def line(self) -> int:
        return self.text.count("\n", 0, self.at) + 1

    def blank(self) -> None:
        match = _BLANK.match(self.text, self.at)
        if match is not None:
            self.at = match.end()

    def peek(self, what: str) -> bool:
        return self.text.startswith(what, self.at)

    def string(self) -> str:
        for mark in ('"""', "'''"):
            if self.peek(mark):
                end = self.text.index(mark, self.at + 3)
                while mark == '"""' and self.text[end - 1] == "\\" and self.text[end - 2] != "\\":
                    end = self.text.index(mark, end + 1)
                while self.text.startswith(mark[0], end + 3):
                    end += 1
                raw = self.text[self.at : end + 3]
                self.at = end + 3
                return raw
        quote, start = self.text[self.at], self.at
        self.at += 1
        while self.text[self.at] != quote:
            self.at += 2 if quote == '"' and self.text[self.at] == "\\" else 1
        self.at += 1
        return self.text[start : self.at]

    def key(self) -> list[str]:
        parts = []
        while True:
            self.blank()
            if self.text[self.at] in "\"'":
                parts.append(str(tomllib.loads(f"v = {self.string()}")["v"]))
            else:
                match = _BARE_KEY.match(self.text, self.at)
                if match is None:
                    raise ValueError(f"no key at character {self.at}")
                parts.append(match.group())
                self.at = match.end()
            self.blank()
            if not self.peek("."):
                return parts
            self.at += 1

    def pair(self, base: KeyPath) -> None:
        line = self.line()
        path: KeyPath = base
        for part in self.key():
            path = (*path, part)
            self.lines.setdefault(path, line)
        self.blank()
        self.at += 1  # the equals sign
        self.blank()
        self.value(path)

    def value(self, path: KeyPath) -> None:
        self.lines.setdefault(path, self.line())
        if self.peek("["):
            self.at += 1
            index = 0
            self.blank()
            while not self.peek("]"):
                self.value((*path, index))
                index += 1
                self.separator()
            self.at += 1
        elif self.peek("{"):
            self.at += 1
            self.blank()
            while not self.peek("}"):
                self.pair(path)
                self.separator()
            self.at += 1
        elif self.text[self.at] in "\"'":
            self.string()
        else:
            match = _SCALAR.match(self.text, self.at)
            if match is None:
                raise ValueError(f"no value at character {self.at}")
            self.at = match.end()

    def separator(self) -> None:
        self.blank()
        if self.peek(","):
            self.at += 1
            self.blank()

    def resolve(self, keys: list[str]) -> KeyPath:
        """The path of a table named by a header: every array of tables on the way means its last one."""
        path: KeyPath = ()
        for key in keys:
            path = (*path, key)
            if path in self.tables:
                path = (*path, self.tables[path])
        return path

    def walk(self) -> None:
        base: KeyPath = ()
        self.blank()
        while self.at < len(self.text):
            if self.peek("[["):
                line = self.line()
                self.at += 2
                keys = self.key()
                self.at += 2
                parent = (*self.resolve(keys[:-1]), keys[-1])
                self.tables[parent] = self.tables.get(parent, -1) + 1
                base = (*parent, self.tables[parent])
                self.lines.setdefault(parent, line)
                self.lines.setdefault(base, line)
            elif self.peek("["):
                line = self.line()
                self.at += 1
                base = self.resolve(self.key())
                self.at += 1
                self.lines.setdefault(base, line)
            else:
                self.pair(base)
            self.blank()


def toml_lines(text: str) -> dict[KeyPath, int]:
    """Return the line (from 1) of every key and value, by its path such as ``("piece", 0, "trim", 1, "edge")``.

    Raises
    ------
    tomllib.TOMLDecodeError
        When the text is no TOML.
    """
    tomllib.loads(text)
    walker = _Walker(text.replace("\r\n", "\n"))
    walker.walk()
    return walker.lines


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int:
    """Return the line of a path, or of the nearest thing around it."""
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 1)
