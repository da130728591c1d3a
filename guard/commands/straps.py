"""`guard straps`: which straps are in range, which one is remembered."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING, Any

from guard.errors import HardwareError, UsageError

if TYPE_CHECKING:
    from guard.sense.listen import Sighting
    from guard.sense.seen import Strap

LISTEN_S = 6.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--seconds", type=_seconds, default=LISTEN_S, metavar="N",
                        help=f"how long to listen, 1 to 120 s (default {LISTEN_S:g})")
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--remember", metavar="NAME-OR-ADDRESS",
                       help="remember this strap, so that no other is taken for it")
    which.add_argument("--forget", action="store_true", help="remember no strap")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(args: argparse.Namespace) -> int:
    import asyncio

    from guard.keep import straps

    if args.forget:
        return _forget(args.json)
    if args.remember is not None and not args.remember.strip():
        raise UsageError("--remember needs a name or an address: `guard straps` lists those in range")
    _note(f"listening for {args.seconds:g} s …")
    known = straps.remembered(_note)
    sightings, mine, percent, known = asyncio.run(_survey(args.seconds, args.remember, known))
    found = [_row(one, one is mine, percent) for one in sightings]
    if args.json:
        print(json.dumps({"format": 1, "straps": found, "remembered": _about(known)}, ensure_ascii=True))
    else:
        _print(found, known)
    return 0


async def _survey(
    seconds: float, remember: str | None, known: Strap | None
) -> tuple[list[Sighting], Sighting | None, int | None, Strap | None]:
    """Those in range, the remembered one of them, its charge, and what is remembered now."""
    from guard.keep import straps
    from guard.sense.seen import Several, Strap, Taken, Wanted, pick, typed
    from guard.sense.survey import read_battery, survey

    sightings = await survey(seconds)
    wanted = Wanted(known.name, known.address) if known else None
    if remember is not None:
        wanted = typed(remember)
    verdict = pick([one.seen for one in sightings], wanted, settled=True) if wanted else None
    if remember is not None and wanted is not None:
        if verdict is None:
            raise HardwareError(f"{wanted.label} is not in range, so nothing was remembered: "
                                "wear the strap and wet its electrodes, then try again")
        if isinstance(verdict, Several):
            labels = ", ".join(one.label for one in verdict.seen)
            raise UsageError(f"{len(verdict.seen)} straps are called that: {labels}; give the address")
        known = Strap(verdict.seen.name, verdict.seen.address)
        straps.remember(known)
    mine = percent = None
    if isinstance(verdict, Taken):
        # Only one's own strap is connected to: a neighbour's may be in use.
        mine = next(one for one in sightings if one.seen == verdict.seen)
        percent = await read_battery(mine)
    return sightings, mine, percent, known


def _row(one: Sighting, mine: bool, percent: int | None) -> dict[str, Any]:
    return {"name": one.seen.name, "address": one.seen.address, "rssi_dbm": one.seen.rssi_dbm,
            "connected": one.already_connected, "battery_percent": percent if mine else None,
            "remembered": mine}


def _print(found: list[dict[str, Any]], known: Strap | None) -> None:
    from guard.sense import faults

    for row in found:
        facts = [row["address"]]
        facts.append("connected to this machine" if row["connected"] else f"{row['rssi_dbm']} dBm")
        if row["battery_percent"] is not None:
            facts.append(f"battery {row['battery_percent']} %")
        if row["remembered"]:
            facts.append("remembered")
        print(f"{row['name'] or 'nameless strap'}  {', '.join(facts)}")
    if not found:
        print(f"No heart-rate strap in range: {faults.ELSEWHERE}.")
    if known is None:
        if found:
            print("None is remembered: `guard straps --remember ADDRESS` keeps yours from being mixed up.")
    elif not any(row["remembered"] for row in found):
        print(f"Remembered: {known.name or 'nameless strap'}  {known.address}, not in range.")


def _forget(as_json: bool) -> int:
    from guard.keep import straps

    known = straps.remembered(_note)
    gone = straps.forget()
    if as_json:
        print(json.dumps({"format": 1, "forgotten": _about(known)}, ensure_ascii=True))
    elif known is not None:
        print(f"Forgotten: {known.name or 'nameless strap'}  {known.address}")
    else:
        print("The strap file was removed." if gone else "No strap was remembered.")
    return 0


def _about(known: Strap | None) -> dict[str, str] | None:
    return {"name": known.name, "address": known.address} if known else None


def _note(text: str) -> None:
    print(text, file=sys.stderr)


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = 0.0
    if not 1.0 <= seconds <= 120.0:
        raise argparse.ArgumentTypeError("must be a number from 1 to 120")
    return seconds
