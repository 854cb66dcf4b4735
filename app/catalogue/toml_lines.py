"""Where each key of a TOML text stands. The standard library's reader gives places for syntax errors only.

Made for texts that `tomllib` has accepted: it does not check again what that has checked.
"""

import re

Path = tuple[str | int, ...]
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_ESCAPED = re.compile(r'\\(?:u([0-9a-fA-F]{4})|U([0-9a-fA-F]{8})|(.))', re.DOTALL)
_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\", "e": "\x1b"}
_SCALAR_ENDS = re.compile(r"[,\]}\n#]")


def lines_of(text: str) -> dict[Path, int]:
    """The line, counted from 1, of every key, table and element of an array."""
    return _Scan(text.replace("\r\n", "\n")).run()


def nearest_line(lines: dict[Path, int], path: Path) -> int:
    """The line of a path, or of the table that it is missing from."""
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 1)


class _Scan:
    def __init__(self, text: str) -> None:
        self.text, self.at, self.line = text, 0, 1
        self.lines: dict[Path, int] = {}
        self.tables: dict[Path, int] = {}  # how many [[tables]] each array has had

    def run(self) -> dict[Path, int]:
        table: Path = ()
        self._blanks()
        while self.at < len(self.text):
            if self.text.startswith("[[", self.at):
                table = self._header(2)
            elif self.text[self.at] == "[":
                table = self._header(1)
            else:
                self._pair(table)
            self._blanks()
        return self.lines

    def _header(self, brackets: int) -> Path:
        line = self.line
        self._go(brackets)
        path = self._inside(self._keys())
        self._go(brackets)
        if brackets == 2:
            n = self.tables.get(path, 0)
            self.tables[path] = n + 1
            path = (*path, n)
        self.lines[path] = line
        return path

    def _inside(self, keys: list[str]) -> Path:
        """A header's keys lead through the newest table of each array before the last key."""
        path: Path = ()
        for i, key in enumerate(keys):
            path = (*path, key)
            self.lines.setdefault(path, self.line)
            if i < len(keys) - 1 and path in self.tables:
                path = (*path, self.tables[path] - 1)
        return path

    def _pair(self, table: Path) -> None:
        line = self.line
        path = table
        for key in self._keys():
            path = (*path, key)
            self.lines.setdefault(path, line)
        self._go(1)  # the equals sign
        self._spaces()
        self._value(path)

    def _keys(self) -> list[str]:
        keys = []
        while True:
            self._spaces()
            keys.append(self._key())
            self._spaces()
            if not self.text.startswith(".", self.at):
                return keys
            self._go(1)

    def _key(self) -> str:
        if self.text[self.at] in "\"'":
            return self._string()
        found = _BARE.match(self.text, self.at)
        assert found is not None
        self._go(len(found[0]))
        return found[0]

    def _value(self, path: Path) -> None:
        first = self.text[self.at]
        if first in "\"'":
            self._string()
        elif first == "[":
            self._array(path)
        elif first == "{":
            self._table(path)
        else:
            end = _SCALAR_ENDS.search(self.text, self.at)
            self._go((end.start() if end else len(self.text)) - self.at)

    def _array(self, path: Path) -> None:
        self._go(1)
        n = 0
        while True:
            self._blanks(",")
            if self.text[self.at] == "]":
                return self._go(1)
            self.lines[(*path, n)] = self.line
            self._value((*path, n))
            n += 1

    def _table(self, path: Path) -> None:
        self._go(1)
        while True:
            self._blanks(",")
            if self.text[self.at] == "}":
                return self._go(1)
            self._pair(path)

    def _string(self) -> str:
        quote = self.text[self.at]
        mark = quote * 3 if self.text.startswith(quote * 3, self.at) else quote
        end = self.at + len(mark)
        while not self.text.startswith(mark, end):
            end += 2 if quote == '"' and self.text[end] == "\\" else 1
        while len(mark) == 3 and end + 3 < len(self.text) and self.text[end + 3] == quote:
            end += 1  # up to two quotes more belong to the text
        inside = self.text[self.at + len(mark) : end]
        self._go(end + len(mark) - self.at)
        return _ESCAPED.sub(_unescaped, inside) if mark == '"' else inside

    def _spaces(self) -> None:
        while self.text.startswith((" ", "\t"), self.at):
            self._go(1)

    def _blanks(self, more: str = "") -> None:
        """Over blanks, line ends, comments and what stands in `more`."""
        while self.at < len(self.text):
            if self.text[self.at] == "#":
                end = self.text.find("\n", self.at)
                self._go((end if end >= 0 else len(self.text)) - self.at)
            elif self.text[self.at] in " \t\n" + more:
                self._go(1)
            else:
                return

    def _go(self, n: int) -> None:
        self.line += self.text.count("\n", self.at, self.at + n)
        self.at += n


def _unescaped(found: re.Match[str]) -> str:
    return chr(int(found[1] or found[2], 16)) if found[1] or found[2] else _ESCAPES[found[3]]
