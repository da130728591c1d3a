"""Two records of `bluez_probe` held against each other, and the one of the real service."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

# Made by `python hardware/bench --record`: what the real bluetoothd answered.
RECORD = Path(__file__).with_name("bluez_recorded.json")

# What the guard and its Bluetooth library read of an object: both must have it.
NEEDED = {
    "org.bluez.Adapter1": {"Address", "Powered", "Discovering", "Roles"},
    "org.bluez.Device1": {"Address", "AddressType", "Alias", "Name", "Adapter", "UUIDs", "Connected",
                          "ServicesResolved", "Paired", "RSSI"},
    "org.bluez.GattService1": {"UUID", "Device", "Primary"},
    "org.bluez.GattCharacteristic1": {"UUID", "Service", "Flags", "Notifying", "Value"},
    "org.bluez.Battery1": {"Percentage"},
}

Json = dict[str, Any]


def recorded() -> Json:
    """The record of the real service."""
    record: Json = json.loads(RECORD.read_text())
    return record


def differences(real: Json, other: Json) -> list[str]:
    """What `other` does otherwise than the real service, in words; empty when nothing.

    It may leave out properties nobody reads; whatever it does offer must be of
    the real one's type, and every answer and signal must be the same.
    """
    found = [f"step {name!r} is only in one of the two"
             for name in sorted(real["steps"].keys() ^ other["steps"].keys())]
    for name, step in real["steps"].items():
        for what in ("replies", "signals"):
            theirs = other["steps"].get(name, step)[what]
            if theirs != step[what]:
                found.append(f"{name}, {what}: really {step[what]}, here {theirs}")
    for label in sorted(real["flags"].keys() | other["flags"].keys()):
        flags = [one["flags"].get(label) for one in (real, other)]
        if flags[0] != flags[1]:
            found.append(f"flags of {label}: really {flags[0]}, here {flags[1]}")
    for face, needed in NEEDED.items():
        shape, theirs = real["shapes"].get(face, {}), other["shapes"].get(face, {})
        found += [f"{face}.{key} is missing {where}" for where, one in (("really", shape), ("here", theirs))
                  for key in sorted(needed - one.keys())]
        found += [f"{face}.{key}: really {shape.get(key, 'unknown')}, here {kind}"
                  for key, kind in sorted(theirs.items()) if kind != shape.get(key)]
    return found


def unknown_signals(record: Json, heard: list[str]) -> list[str]:
    """Of the signals heard elsewhere, those that no step of the record has."""
    known = {_kind(line) for step in record["steps"].values() for line in step["signals"]}
    return sorted({_kind(line) for line in heard} - known)


def _kind(line: str) -> str:
    """A line without the number a charge has."""
    return line.rstrip("0123456789 ") if "Percentage" in line else line
