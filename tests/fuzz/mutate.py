"""Changing a sound input into a hostile one: what an editor, a bad disk or a joker would do.

Works on bytes of any kind: lines, numbers, brackets and quotes are found by
their looks. The same `chance` gives the same changes.
"""

from __future__ import annotations

import random
import re
from collections.abc import Sequence

HOSTILE = [
    b"\x1b[2J\x1b]0;t\x07", "\x9b31m".encode(), "‮txt​⁦".encode(), b"\\u001b[31m", b"\\ud800",
    b"\\u0000", b"[bold red]", b"[/]", b"<script>alert(1)</script>", b"=1+1", b"\x00", b"\r", b"\xff\xfe",
    "ế̂̂̂".encode(), "ｗｉｄｅ漢字".encode(), "👩‍👩‍👧".encode(), b"\xef\xbb\xbf", b"%s%n", b"{0}",
]
NUMBERS = [
    b"0", b"-0.0", b"-1", b"1", b"255", b"256", b"65535", b"65536", b"1e999", b"-1e999", b"1e308", b"5e-324",
    b"NaN", b"Infinity", b"-Infinity", b"nan", b"inf", b"0.1", b"2147483648", b"9223372036854775808",
    b"18446744073709551616", b"9" * 400, b"9" * 5000, b"0x" + b"f" * 6000, b"1_000", b"345600", b"345601",
    b"1" * 4300, b"00", b"+1", b"1.", b".5",
]
VALUES = [b"null", b"true", b"false", b"[]", b"{}", b'""', b'"x"', b"[[]]", b"[null]", b'{"a":{}}', b"''"]
_NUMBER = re.compile(rb"-?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")
_VALUE = re.compile(rb'"(?:[^"\\\n]|\\.)*"|-?\d+(?:\.\d+)?|true|false|null')
_DEEP = (50, 900, 5000)


def mutated(
    data: bytes, chance: random.Random, others: Sequence[bytes] = (), longest: int = 1 << 14,
) -> bytes:
    """`data` with one to four changes; `others` are inputs to take pieces from."""
    for _ in range(chance.choice((1, 1, 1, 2, 2, 3, 4))):
        data = chance.choice(_CHANGES)(data, chance, others)
    return data[:longest]


def _flip(data: bytes, chance: random.Random, _: Sequence[bytes]) -> bytes:
    if not data:
        return bytes([chance.randrange(256)])
    place = chance.randrange(len(data))
    return data[:place] + bytes([data[place] ^ (1 << chance.randrange(8))]) + data[place + 1:]


def _byte(data: bytes, chance: random.Random, _: Sequence[bytes]) -> bytes:
    place = chance.randint(0, len(data))
    return data[:place] + chance.randbytes(chance.randint(1, 4)) + data[place + chance.randint(0, 4):]


def _cut(data: bytes, chance: random.Random, _: Sequence[bytes]) -> bytes:
    one, other = sorted((chance.randint(0, len(data)), chance.randint(0, len(data))))
    return data[:one] if chance.random() < 0.5 else data[:one] + data[other:]


def _repeat(data: bytes, chance: random.Random, _: Sequence[bytes]) -> bytes:
    one, other = sorted((chance.randint(0, len(data)), chance.randint(0, len(data))))
    piece = data[one:min(other, one + 200)]
    return data[:one] + piece * chance.choice((1, 2, 30)) + data[one:]


def _lines(data: bytes, chance: random.Random, others: Sequence[bytes]) -> bytes:
    lines = data.split(b"\n")
    place = chance.randrange(len(lines))
    match chance.randrange(4):
        case 0:
            del lines[place]
        case 1:
            lines.insert(chance.randrange(len(lines) + 1), lines[place])
        case 2:
            other = chance.randrange(len(lines))
            lines[place], lines[other] = lines[other], lines[place]
        case _ if others:
            lines.insert(place, chance.choice(chance.choice(others).split(b"\n")))
    return b"\n".join(lines)


def _replaced(pattern: re.Pattern[bytes], data: bytes, chance: random.Random, by: bytes) -> bytes:
    found = list(pattern.finditer(data))
    if not found:
        return data + by
    one = chance.choice(found)
    return data[:one.start()] + by + data[one.end():]


def _number(data: bytes, chance: random.Random, _: Sequence[bytes]) -> bytes:
    return _replaced(_NUMBER, data, chance, chance.choice(NUMBERS))


def _value(data: bytes, chance: random.Random, others: Sequence[bytes]) -> bytes:
    by = chance.choice(VALUES + NUMBERS)
    if others and chance.random() < 0.3:
        by = next(iter(_VALUE.findall(chance.choice(others))), by)
    return _replaced(_VALUE, data, chance, by)


def _text(data: bytes, chance: random.Random, _: Sequence[bytes]) -> bytes:
    hostile = chance.choice(HOSTILE) * chance.choice((1, 1, 1, 100))
    quoted = list(re.finditer(rb'"', data))
    place = chance.choice(quoted).end() if quoted and chance.random() < 0.7 else chance.randint(0, len(data))
    return data[:place] + hostile + data[place:]


def _deep(data: bytes, chance: random.Random, _: Sequence[bytes]) -> bytes:
    depth = chance.choice(_DEEP)
    begin, end = chance.choice(((b"[", b"]"), (b'{"a":', b"}"), (b"a.", b"=1"), (b"(", b")"), (b"[[", b"]]")))
    middle = chance.choice((b"", b"1", b'"x"'))
    closing = end * depth if chance.random() < 0.7 else b""
    return _replaced(_VALUE, data, chance, begin * depth + middle + closing)


_CHANGES = (
    _flip, _byte, _cut, _repeat, _lines, _lines, _number, _number, _value, _value, _text, _text, _deep)
