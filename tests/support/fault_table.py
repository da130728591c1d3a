"""The table of a fault campaign, and the shim that brings about what no user may."""

from __future__ import annotations

import mmap
import struct
import subprocess
from dataclasses import dataclass
from pathlib import Path

STEP_YEARS_S = 10 * 365.25 * 86_400


@dataclass(frozen=True)
class Row:
    """One fault: the worst of its repeats, s; None where the question does not arise."""

    fault: str
    said_s: float | None
    regained_s: float | None
    lost_s: float | None
    target: str
    ok: bool
    note: str = ""


def worst(rows: list[Row]) -> Row:
    """The repeats of one fault as one row."""
    def most(values: list[float | None]) -> float | None:
        known = [value for value in values if value is not None]
        return max(known) if known else None

    first = rows[0]
    return Row(first.fault, most([row.said_s for row in rows]), most([row.regained_s for row in rows]),
               most([row.lost_s for row in rows]), first.target, all(row.ok for row in rows),
               max((row.note for row in rows), key=len))


def table(rows: list[Row]) -> str:
    """The rows as text, a heading above."""
    def seconds(value: float | None) -> str:
        return "-" if value is None else f"{value:.2f} s"

    lines = [f"{'fault injected':<36} {'said within':>11} {'regained in':>11} {'lost':>8}  "
             f"{'target':<36} ok"]
    lines += [f"{row.fault:<36} {seconds(row.said_s):>11} {seconds(row.regained_s):>11} "
              f"{seconds(row.lost_s):>8}  {row.target:<36} {'yes' if row.ok else 'NO'}"
              + (f"  {row.note}" if row.note else "") for row in rows]
    return "\n".join(lines)


class Shim:
    """Orders to the shim (`fault_shim.c`) in a process started with `env`."""

    def __init__(self, folder: Path) -> None:
        library, orders = folder / "fault_shim.so", folder / "orders"
        source = Path(__file__).with_name("fault_shim.c")
        subprocess.run(["cc", "-O2", "-shared", "-fPIC", "-o", str(library), str(source), "-lm"], check=True)
        orders.write_bytes(bytes(24))
        with orders.open("r+b") as file:
            self._orders = mmap.mmap(file.fileno(), 24)
        self.env = {"LD_PRELOAD": str(library), "FAULT_SHIM": str(orders)}

    def set_wall(self, step_s: float) -> None:
        self._order(0, step_s)

    def sleep_counted(self, slept_s: float) -> None:
        self._order(1, slept_s)

    def hold_sync(self, on: bool) -> None:
        self._order(2, float(on))

    def _order(self, which: int, value: float) -> None:
        self._orders[8 * which:8 * which + 8] = struct.pack("=d", value)
