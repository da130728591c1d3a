"""Which of the devices in range is the runner's: never a neighbour's in silence.

Straps, treadmills and foot pods alike. One is known by its name and service; its address is a hint, because a
private address changes (Bluetooth Core Specification, Vol 6, Part B, 1.3).
Pure: lists of what was seen go in, a verdict comes out.
"""

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

NAME_LIMIT = 60  # characters of a device's name that are shown (ours)
_ADDRESS = re.compile(r"[0-9A-F]{2}(:[0-9A-F]{2}){5}|[0-9A-F]{8}(-[0-9A-F]{4}){3}-[0-9A-F]{12}")


@dataclass(frozen=True, slots=True)
class RememberedDevice:
    """A strap, treadmill or pod worth remembering: its name and the address it last had."""

    name: str
    address: str


@dataclass(frozen=True, slots=True)
class Wanted:
    """The device looked for; either word may be empty. `in_session` once it has been connected."""

    name: str = ""
    address: str = ""
    in_session: bool = False

    @property
    def label(self) -> str:
        return self.name or self.address


@dataclass(frozen=True, slots=True)
class Seen:
    """A device in range; `noun` says what it is called.

    `rssi_dbm` is None when it is connected to this machine already.
    `address_kind` is "public" or "random" where the platform says so, else "".
    """

    name: str
    address: str
    rssi_dbm: int | None = None
    address_kind: str = ""
    noun: str = "strap"

    @property
    def label(self) -> str:
        """Name and address, as listed to a runner who has to choose."""
        return f"{self.name or f'nameless {self.noun}'} ({self.address})"


@dataclass(frozen=True, slots=True)
class Taken:
    """This one; `note` says what the runner should know about how it was recognised."""

    seen: Seen
    note: str = ""


@dataclass(frozen=True, slots=True)
class Several:
    """More than one could be meant: ask."""

    seen: tuple[Seen, ...]


def pick(seen: Sequence[Seen], wanted: Wanted | None, *, settled: bool) -> Taken | Several | None:
    """The one to connect to, those to choose among, or None: go on listening.

    `settled` is True once there was time for all in range to show up; until
    then only the exact address of the wanted one is taken.
    """
    if wanted is None:
        if not settled or not seen:
            return None
        return Taken(seen[0]) if len(seen) == 1 else Several(tuple(seen))
    for one in seen:
        if wanted.address and one.address.upper() == wanted.address.upper():
            return Taken(one)
    if not settled:
        return None
    alike = [one for one in seen if _may_be(one, wanted)]
    if len(alike) == 1:
        return Taken(alike[0], "recognised by its name, under a new address" if wanted.address else "")
    return Several(tuple(alike)) if alike else None


def _may_be(one: Seen, wanted: Wanted) -> bool:
    if not wanted.name or one.name.casefold() != wanted.name.casefold():
        return False
    if not wanted.address:
        return True
    if one.address_kind == "public":
        return False
    # A static random address lasts from power-up to power-down, so under way a
    # different one is a different strap; between runs it may have changed.
    return not (wanted.in_session and _is_static(one))


def _is_static(one: Seen) -> bool:
    """Static random addresses have their two highest bits set."""
    return one.address_kind == "random" and one.address[:1].upper() in ("C", "D", "E", "F")


def typed(text: str) -> Wanted:
    """What the runner typed: an address (MAC, or the UUID macOS uses) or a name.

    >>> typed("c8:00:00:00:00:01").address
    'C8:00:00:00:00:01'
    """
    word = text.strip()
    if _ADDRESS.fullmatch(word.upper()):
        return Wanted(address=word.upper())
    return Wanted(name=plain(word))


def plain(text: str, limit: int = NAME_LIMIT) -> str:
    """Text from a device without control, format and line characters, at most `limit` long.

    Markup is left as it is: whoever draws it escapes it.
    """
    kept = "".join(ch for ch in text if unicodedata.category(ch)[0] != "C"
                   and unicodedata.category(ch) not in ("Zl", "Zp"))
    kept = " ".join(kept.split())
    return kept if len(kept) <= limit else kept[: limit - 1] + "…"
