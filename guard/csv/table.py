"""A CSV file as rows of text: encoding, separator, header and quotes found out.

CSV as in RFC 4180, and what spreadsheets make of it: semicolons or tabs, a byte
order mark, UTF-16, Windows-1252, lines above the header.
"""

import codecs
import csv
import difflib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from guard.errors import InputError, UsageError, quoted
from guard.files.whole import open_file

SEPARATORS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|", "space": " "}
HEADER_WITHIN = 40  # lines in which the header is looked for
_CHUNK = 1 << 20  # bytes read at once
_MISSING = frozenset({"", "na", "n/a", "#n/a", "nan", "null", "none", "-", "--", "inf", "-inf"})


@dataclass(frozen=True)
class Table:
    """A CSV file whose form is known. `header_line` 0 means it has no header."""

    path: Path
    encoding: str
    separator: str
    header_line: int
    columns: tuple[str, ...]
    notes: tuple[str, ...] = ()

    def index(self, column: str) -> int:
        """Where `column` stands (from 0), by name, else by number from 1."""
        place = _place(self.columns, column, numbered=self.header_line == 0)
        if place is None:
            raise _no_column(self.path, self.columns, [column])
        return place

    def rows(self) -> Iterator[tuple[int, list[str]]]:
        """(line number, cells) of every row below the header that holds anything."""
        for line, cells in _read(self.path, self.encoding, self.separator):
            if line > self.header_line and any(cell.strip() for cell in cells):
                yield line, cells


def open_table(path: Path, wanted: Sequence[str], separator: str | None = None) -> Table:
    """Find out the form of the file at `path` by the columns `wanted` of it.

    `separator` is a character or one of the names of `SEPARATORS`; None finds
    it. Raises InputError naming the columns there are when one is missing.
    """
    encoding, notes = _encoding(path)
    tried = [_separator(separator)] if separator else list(SEPARATORS.values())
    best: tuple[str, ...] = ()
    for mark in tried:
        for line, cells in islice(_read(path, encoding, mark), HEADER_WITHIN):
            names = tuple(cell.strip() for cell in cells)
            if len(names) > len(best) and any(names):
                best = names
            if all(_place(names, column, numbered=False) is not None for column in wanted):
                twice = [name for name in wanted if names.count(name) > 1]
                notes += [f"several columns are called {quoted(name)}: the first is taken" for name in twice]
                if line > 1:
                    notes.append(f"the header was found on line {line}")
                return Table(path, encoding, mark, line, names, tuple(notes))
    if all(column.isascii() and column.isdigit() for column in wanted):
        return _without_header(path, encoding, wanted, tried, notes)
    raise _no_column(path, best, wanted)


def open_any(path: Path, separator: str | None = None) -> Table:
    """Find out the form of a file of which no column is known yet.

    The header is the first line with words that as many cells follow in the next lines; the
    separator is the one that makes most columns of it. Raises InputError where no line has two.
    """
    encoding, notes = _encoding(path)
    best = Table(path, encoding, ",", 0, ())
    for mark in [_separator(separator)] if separator else list(SEPARATORS.values()):
        read = [(line, tuple(cell.strip() for cell in cells))
                for line, cells in islice(_read(path, encoding, mark), 2 * HEADER_WITHIN)]
        for place, (line, names) in enumerate(read[:HEADER_WITHIN]):
            below = [cells for _, cells in read[place + 1:place + 4] if any(cells)]
            if len(names) <= max(1, len(best.columns)) or any(len(cells) != len(names) for cells in below):
                continue
            if all(number(name) is None for name in names if name) and any(names):
                best = Table(path, encoding, mark, line, names, tuple(notes))
                break
            if place == 0:
                numbered = tuple(str(column + 1) for column in range(len(names)))
                best = Table(path, encoding, mark, 0, numbered, tuple(notes))
                break
    if not best.columns:
        raise InputError(f"{path} has no two columns beside each other: save it as CSV from a spreadsheet")
    return best


def number(text: str) -> float | None:
    """A number with decimal point or comma; None when missing or not a number.

    >>> number("1.234,5"), number("1,234.5"), number("139,4"), number("NA")
    (1234.5, 1234.5, 139.4, None)
    """
    word = text.strip().replace("\u00a0", "").replace("\u202f", "")
    if word.lower() in _MISSING or "_" in word:
        return None
    comma, point = word.rfind(","), word.rfind(".")
    if comma > point:
        word = word.replace(".", "").replace(",", ".")
    elif comma >= 0:
        word = word.replace(",", "")
    try:
        value = float(word)
    except ValueError:
        return None
    return value if abs(value) <= 1e15 else None


def is_missing(text: str) -> bool:
    """Whether a cell says that there is no value."""
    return text.strip().lower() in _MISSING


def _place(names: Sequence[str], column: str, *, numbered: bool) -> int | None:
    if numbered:
        place = int(column) - 1 if column.isascii() and column.isdigit() else -1
        return place if 0 <= place < len(names) else None
    if column.strip() in names:
        return names.index(column.strip())
    folded = [name.casefold() for name in names]
    return folded.index(column.strip().casefold()) if column.strip().casefold() in folded else None


def _without_header(path: Path, encoding: str, wanted: Sequence[str], tried: Sequence[str],
                    notes: list[str]) -> Table:
    """Columns given by number: the first row has to be data already."""
    most = 0
    for mark in tried:
        for _, cells in islice(_read(path, encoding, mark), 1):
            if not all(number(cell) is not None for cell in cells):
                continue
            most = max(most, len(cells))
            if len(cells) >= max(map(int, wanted)) and "0" not in wanted:
                names = tuple(str(place + 1) for place in range(len(cells)))
                return Table(path, encoding, mark, 0, names, (*notes, "no header: columns taken by number"))
    if most:
        raise InputError(f"{path} has no header and {most} columns: give their numbers, 1 to {most}")
    raise InputError(f"{path} has no column {', '.join(map(quoted, wanted))}: numbers name columns only of a "
                     "file whose first line holds numbers; give the names of the header")


def _read(path: Path, encoding: str, separator: str) -> Iterator[tuple[int, list[str]]]:
    try:
        with path.open(encoding=encoding, newline="") as file:
            reader = csv.reader(file, delimiter=separator, skipinitialspace=True)
            for cells in reader:
                yield reader.line_num, cells
    except csv.Error as error:
        raise InputError(f"{path} is not a CSV file that can be read ({error}): "
                         "save it as CSV from a spreadsheet") from None
    except UnicodeError:
        raise InputError(f"{path} is not text in one encoding: save it as UTF-8") from None


def _encoding(path: Path) -> tuple[str, list[str]]:
    """The encoding that fits the whole file, and what to say about it."""
    try:
        with open_file(path) as file:
            head = file.read(_CHUNK)
            if not head:
                raise InputError(f"{path} is empty")
            if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
                return "utf-16", []
            start = head[:2000]
            if start[1::2].count(0) > len(start) / 4:
                return "utf-16-le", []
            if start[::2].count(0) > len(start) / 4:
                return "utf-16-be", []
            if 0 in head:
                raise InputError(f"{path} is not a text file: save it as CSV")
            decoder = codecs.getincrementaldecoder("utf-8")()
            try:
                while head:
                    decoder.decode(head)
                    head = file.read(_CHUNK)
                decoder.decode(b"", final=True)
            except UnicodeDecodeError:
                return "cp1252", ["the file is not UTF-8: read as Windows-1252 (Latin-1)"]
    except OSError as error:
        raise InputError(f"cannot read {path} ({error.strerror or error}): "
                         "check the name and that you may read it") from None
    return "utf-8-sig", []


def _separator(word: str) -> str:
    mark = SEPARATORS.get(word, "\t" if word == "\\t" else word)
    if len(mark) != 1 or mark in '\r\n"' or mark.isalnum():
        raise UsageError(f"--separator {quoted(word)} is not a separator: "
                         f"give one character or one of {', '.join(SEPARATORS)}")
    return mark


def _no_column(path: Path, columns: Sequence[str], wanted: Sequence[str]) -> InputError:
    missing = next((name for name in wanted if _place(columns, name, numbered=False) is None), wanted[0])
    names = {name.casefold(): name for name in columns if name}
    near = difflib.get_close_matches(missing.casefold(), list(names), n=1, cutoff=0.6)
    guess = f"did you mean {quoted(names[near[0]])}? " if near else ""
    listed = ", ".join(map(quoted, list(names.values())[:30])) or "none"
    return InputError(f"{path} has no column {quoted(missing)}: {guess}its columns are {listed}")
