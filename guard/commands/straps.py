"""`guard straps`: which straps, treadmills and foot pods are in range, which are remembered."""

import argparse
import asyncio
import json
import sys
from dataclasses import dataclass
from typing import Any

from guard.devices import remembered as straps
from guard.devices.peripheral import PERIPHERALS, Peripheral
from guard.devices.seen import RememberedDevice, Several, Taken, Wanted, pick, typed
from guard.errors import HardwareError, UsageError
from guard.radio.listen import Sighting
from guard.radio.survey import read_battery, survey
from guard.screen.lines import filled


@dataclass
class _Found:
    """Those of one kind: in range, the remembered one of them, its charge, what is remembered."""

    kind: Peripheral
    known: RememberedDevice | None
    sightings: list[Sighting]
    mine: Sighting | None = None
    percent: int | None = None


def run(args: argparse.Namespace) -> int:
    if args.forget:
        return _forget(args.forget, args.json)
    if args.remember is not None and not args.remember.strip():
        raise UsageError("--remember needs a name or an address: `guard straps` lists those in range")
    _note(f"listening for {args.seconds:g} s …")
    straps, *others = asyncio.run(_survey(args.seconds, args.remember))
    if args.json:
        report: dict[str, Any] = {"format": 1, "straps": _rows(straps), "remembered": _about(straps.known)}
        for found in others:
            report[f"{found.kind.kind}s"] = _rows(found)
            report[f"remembered_{found.kind.kind}"] = _about(found.known)
        print(json.dumps(report, ensure_ascii=True))
        return 0
    _print(straps)
    for found in others:
        if found.sightings or found.known:
            print(f"\n{found.kind.noun.capitalize()}s, read for speed only")
            _print(found)
    return 0


async def _survey(seconds: float, remember: str | None) -> list[_Found]:
    """Straps, treadmills and foot pods in range; what was asked for is remembered."""
    kinds = [_Found(kind, straps.remembered(_note, kind.kind), []) for kind in PERIPHERALS]
    for one in await survey(seconds, *PERIPHERALS):
        next(found for found in kinds if found.kind.kind == one.kind).sightings.append(one)
    if remember is not None:
        _remember(remember, kinds)
    for found in kinds:
        if found.known is None:
            continue
        wanted = Wanted(found.known.name, found.known.address)
        verdict = pick([one.seen for one in found.sightings], wanted, settled=True)
        if isinstance(verdict, Taken):
            # Only one's own is connected to: a neighbour's may be in use.
            found.mine = next(one for one in found.sightings if one.seen == verdict.seen)
            found.percent = await read_battery(found.mine)
    return kinds


def _remember(text: str, kinds: list[_Found]) -> None:
    """Remember the one in range that is called so: as a strap if it is one, else as what it is."""
    wanted = typed(text)
    meant = [(found, verdict) for found in kinds
             if (verdict := pick([one.seen for one in found.sightings], wanted, settled=True))]
    if not meant:
        what = f"wear the strap and wet its electrodes, {', '.join(_wake(found) for found in kinds[1:])}"
        raise HardwareError(
            f"{wanted.label} is not in range, so nothing was remembered: {what}, then try again")
    seen = [one for _, verdict in meant
            for one in (verdict.seen if isinstance(verdict, Several) else (verdict.seen,))]
    if len({one.address for one in seen}) > 1:
        nouns = {one.noun for one in seen}
        labels = ", ".join(dict.fromkeys(one.label for one in seen))
        count = len({one.address for one in seen})
        raise UsageError(f"{count} {nouns.pop() if len(nouns) == 1 else 'device'}s are called that: "
                         f"{labels}; give the address")
    found, verdict = meant[0]
    assert isinstance(verdict, Taken)
    found.known = RememberedDevice(verdict.seen.name, verdict.seen.address)
    straps.remember(found.known, found.kind.kind)


def _wake(found: _Found) -> str:
    return "switch the treadmill on" if found.kind.kind == "treadmill" else f"move the {found.kind.noun}"


def _rows(found: _Found) -> list[dict[str, Any]]:
    return [{"name": one.seen.name, "address": one.seen.address, "rssi_dbm": one.seen.rssi_dbm,
             "connected": one.already_connected,
             "battery_percent": found.percent if one is found.mine else None,
             "remembered": one is found.mine} for one in found.sightings]


def _print(found: _Found) -> None:
    kind, known = found.kind, found.known
    rows = _rows(found)
    for row in rows:
        facts = [row["address"]]
        facts.append("connected to this machine" if row["connected"] else f"{row['rssi_dbm']} dBm")
        if row["battery_percent"] is not None:
            facts.append(f"battery {row['battery_percent']} %")
        if row["remembered"]:
            facts.append("remembered")
        print(f"{row['name'] or f'nameless {kind.noun}'}  {', '.join(facts)}")
    if not rows and kind.kind == "strap":
        print(filled(f"No {kind.what} in range: {kind.fix}."))
    if known is None:
        if rows:
            why = "keeps yours apart" if kind.kind == "strap" else "has `guard run` read its speed"
            print(filled(f"None is remembered: `guard straps --remember ADDRESS` {why}."))
    elif not any(row["remembered"] for row in rows):
        print(f"Remembered: {known.name or f'nameless {kind.noun}'}  {known.address}, not in range.")


def _forget(which: str, as_json: bool) -> int:
    kinds = [kind for kind in PERIPHERALS if which in ("all", kind.kind.replace("_", "-"))]
    forgotten: list[dict[str, str] | None] = []
    for kind in kinds:
        known = straps.remembered(_note, kind.kind)
        gone = straps.forget(kind.kind)
        forgotten.append(_about(known))
        if as_json:
            continue
        if known is not None:
            print(f"Forgotten: {known.name or f'nameless {kind.noun}'}  {known.address}")
        elif gone or len(kinds) == 1:
            print(f"The {kind.noun} file was removed." if gone else f"No {kind.noun} was remembered.")
    if as_json:
        gone_now = forgotten[0] if len(kinds) == 1 else [one for one in forgotten if one]
        print(json.dumps({"format": 1, "forgotten": gone_now}, ensure_ascii=True))
    elif not any(forgotten) and len(kinds) > 1:
        print("Nothing was remembered.")
    return 0


def _about(known: RememberedDevice | None) -> dict[str, str] | None:
    return {"name": known.name, "address": known.address} if known else None


def _note(text: str) -> None:
    print(text, file=sys.stderr)
