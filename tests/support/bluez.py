"""An emulated BlueZ on a private D-Bus, to run the real radio code against.

`start_bluez()` gives a control object whose `env` points a process at the
private bus. The bus is a real dbus-daemon; the service that owns org.bluez is
a process of its own (`guard` talks to it through bleak as on any machine), so
that it can be killed, frozen and started anew like bluetoothd. Straps,
treadmills and foot pods are the controller's: they outlive the service, as real
ones do.

By hand:

    python -m tests.support.bluez
    (prints the address to export, then takes lines such as
     `bpm C8:00:00:00:00:01 150`, `silent ADDRESS`, `drop ADDRESS`, `remove ADDRESS`,
     `treadmill ADDRESS NAME`, `pod ADDRESS NAME`, `belt ADDRESS 8.5 1.0`,
     `power off`, `unplug`, `kill`, `start`, `help`)
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]

BUS_CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>system</type>
  <listen>unix:path={socket}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow send_destination="*" eavesdrop="true"/>
    <allow eavesdrop="true"/>
    <allow own="*"/>
    <allow user="*"/>
  </policy>
</busconfig>
"""


@dataclass
class StrapModel:
    """One invented strap, treadmill or foot pod (`kind`) and what it does."""

    address: str
    name: str = "Invented strap"
    kind: str = "strap"
    address_type: str = "random"
    bpm: int = 120
    rr: bool = True
    contact: bool | None = True
    interval_s: float = 0.1  # between packets; real straps send one a second
    advert_s: float = 0.05
    battery: int | None = 80
    battery_notifies: bool = True
    location: int | None = 1
    connected: bool = False  # held by this machine already, as after a killed program
    advertising: bool = True
    silent: bool = False
    refuses: bool = False  # does not answer a connection request
    no_measurement: bool = False
    adverts_service: bool = True
    late_services_s: float = 0.0
    packets: list[str] = field(default_factory=list)  # hex, sent once before the regular ones
    speed_km_h: float = 8.0
    incline_percent: float | None = 0.0
    cadence: int = 160
    split: bool = False  # the treadmill's record comes in two notifications
    on_change: bool = False  # it notifies only when speed or incline change
    machine: int | None = 0x0001  # types of fitness machine it advertises; bit 0: treadmill


class Bluez:
    """Controls the private bus, the service and its straps."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.socket = folder / "bus"
        self.env = {"DBUS_SYSTEM_BUS_ADDRESS": f"unix:path={self.socket}"}
        self.straps: dict[str, StrapModel] = {}
        self.powered = True
        self.present = True
        self.adapter = "hci0"
        self._bus: subprocess.Popen[bytes] | None = None
        self._service: subprocess.Popen[bytes] | None = None
        (folder / "bus.conf").write_text(BUS_CONFIG.format(socket=self.socket))

    # The bus and the service as processes.

    def start_bus(self) -> None:
        self.socket.unlink(missing_ok=True)
        self._bus = subprocess.Popen(
            ["dbus-daemon", f"--config-file={self.folder / 'bus.conf'}", "--nofork", "--print-address=1"],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        assert self._bus.stdout is not None
        if not self._bus.stdout.readline():
            raise RuntimeError("dbus-daemon did not start")

    def kill_bus(self) -> None:
        _end(self._bus)
        self._bus = None

    def start_service(self) -> None:
        """Start the service with the straps and adapter as they are now."""
        self._service = subprocess.Popen(
            [sys.executable, "-m", "tests.support.bluez_service"],
            cwd=ROOT, env={**os.environ, **self.env}, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self._ask({"do": "state", "powered": self.powered, "present": self.present, "adapter": self.adapter})
        for strap in self.straps.values():
            self._ask({"do": "strap", "strap": asdict(strap)})
        self._ask({"do": "own"})

    def kill_service(self) -> None:
        """As if bluetoothd were killed: no goodbye to anyone, the links go down with it."""
        _end(self._service)
        for strap in self.straps.values():
            strap.connected = False

    def freeze_service(self) -> None:
        assert self._service is not None
        self._service.send_signal(signal.SIGSTOP)

    def thaw_service(self) -> None:
        assert self._service is not None
        self._service.send_signal(signal.SIGCONT)

    def stop(self) -> None:
        if self._service is not None:
            with contextlib.suppress(OSError):
                self._service.send_signal(signal.SIGCONT)
        self.kill_service()
        self.kill_bus()

    def reset(self) -> None:
        """Back to a running bus and service, adapter hci0 on, no strap."""
        if self._bus is None or self._bus.poll() is not None:
            self.kill_service()
            self.start_bus()
        if self._service is None or self._service.poll() is not None:
            self.straps, self.present, self.powered, self.adapter = {}, True, True, "hci0"
            (self.folder / "stored").unlink(missing_ok=True)
            self.start_service()
            return
        self.thaw_service()
        for address in list(self.straps):
            self.remove_strap(address)
        if not self.present or self.adapter != "hci0":
            self.unplug()
            self.plug()
        self.power(True)

    # The adapter.

    def power(self, on: bool) -> None:
        self.powered = on
        self._ask({"do": "power", "on": on})

    def unplug(self) -> None:
        self.present = False
        self._ask({"do": "unplug"})

    def plug(self, adapter: str = "hci0") -> None:
        self.present, self.adapter = True, adapter
        self._ask({"do": "plug", "adapter": adapter})

    # The straps.

    def add_strap(self, address: str, name: str = "Invented strap", **how: Any) -> StrapModel:
        strap = StrapModel(address, name, **how)
        self.straps[address] = strap
        self._ask({"do": "strap", "strap": asdict(strap)})
        return strap

    def add_treadmill(self, address: str, name: str = "Invented treadmill", **how: Any) -> StrapModel:
        return self.add_strap(address, name, **{"kind": "treadmill", "battery": None, **how})

    def add_foot_pod(self, address: str, name: str = "Invented foot pod", **how: Any) -> StrapModel:
        return self.add_strap(address, name, **{"kind": "foot_pod", **how})

    def change(self, address: str, **how: Any) -> None:
        """Change fields of a strap: bpm, silent, advertising, battery, contact, …"""
        for key, value in how.items():
            assert hasattr(self.straps[address], key), key
            setattr(self.straps[address], key, value)
        self._ask({"do": "change", "address": address, "how": how})

    def drop(self, address: str, *, advertising: bool = True) -> None:
        """The strap breaks the link; with `advertising` False it is also out of range."""
        self.straps[address].advertising = advertising
        self._ask({"do": "drop", "address": address, "advertising": advertising})

    def remove_strap(self, address: str) -> None:
        """Gone for good, the platform's memory of it included."""
        del self.straps[address]
        self._ask({"do": "remove", "address": address})

    def packet(self, address: str, raw: bytes) -> None:
        """Send these bytes as a measurement now."""
        self._ask({"do": "packet", "address": address, "raw": raw.hex()})

    def look(self) -> dict[str, Any]:
        """What the service knows: `discovering`, and per device `connected`, `connects`, `written`, …"""
        return self._ask({"do": "look"})

    def _ask(self, what: dict[str, Any]) -> dict[str, Any]:
        service = self._service
        if service is None or service.poll() is not None:
            return {}
        assert service.stdin is not None and service.stdout is not None
        service.stdin.write(json.dumps(what).encode() + b"\n")
        service.stdin.flush()
        answer = json.loads(service.stdout.readline() or b'{"error": "the emulated service died"}')
        if "error" in answer:
            raise RuntimeError(answer["error"])
        return answer


def _end(process: subprocess.Popen[bytes] | None) -> None:
    if process is None:
        return
    process.kill()
    process.wait()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()


@contextlib.contextmanager
def start_bluez(*, service: bool = True) -> Iterator[Bluez]:
    """A private bus with an emulated BlueZ, ended on leaving; needs dbus-daemon and dbus-fast."""
    folder = Path(tempfile.mkdtemp(prefix="bluez-"))
    bluez = Bluez(folder)
    try:
        bluez.start_bus()
        if service:
            bluez.start_service()
        yield bluez
    finally:
        bluez.stop()
        shutil.rmtree(folder, ignore_errors=True)


def _by_hand() -> None:
    """Start with one strap and obey lines from standard input."""
    with start_bluez() as bluez:
        first = "C8:00:00:00:00:01"
        bluez.add_strap(first, interval_s=1.0)
        print(f"export DBUS_SYSTEM_BUS_ADDRESS={bluez.env['DBUS_SYSTEM_BUS_ADDRESS']}", flush=True)
        orders = {
            "strap": lambda address, *name: bluez.add_strap(address, " ".join(name), interval_s=1.0),
            "treadmill": lambda address, *name: bluez.add_treadmill(
                address, " ".join(name) or "Invented treadmill", interval_s=1.0),
            "pod": lambda address, *name: bluez.add_foot_pod(
                address, " ".join(name) or "Invented foot pod", interval_s=1.0),
            "belt": lambda address, km_h, percent="0": bluez.change(
                address, speed_km_h=float(km_h), incline_percent=float(percent)),
            "bpm": lambda address, bpm: bluez.change(address, bpm=int(bpm)),
            "battery": lambda address, percent: bluez.change(address, battery=int(percent)),
            "silent": lambda address: bluez.change(address, silent=True),
            "speak": lambda address: bluez.change(address, silent=False),
            "drop": lambda address: bluez.drop(address),
            "away": lambda address: bluez.drop(address, advertising=False),
            "back": lambda address: bluez.change(address, advertising=True),
            "remove": lambda address: bluez.remove_strap(address),
            "packet": lambda address, raw: bluez.packet(address, bytes.fromhex(raw)),
            "power": lambda on: bluez.power(on == "on"),
            "unplug": lambda: bluez.unplug(),
            "plug": lambda *adapter: bluez.plug(*adapter),
            "kill": lambda: bluez.kill_service(),
            "start": lambda: bluez.start_service(),
            "bus-kill": lambda: bluez.kill_bus(),
            "bus-start": lambda: (bluez.start_bus(), bluez.start_service()),
            "look": lambda: print(json.dumps(bluez.look()), flush=True),
            "wait": lambda seconds: time.sleep(float(seconds)),
        }
        for line in sys.stdin:
            word, *rest = line.split() or ["help"]
            try:
                orders[word](*rest)
            except KeyError:
                print("orders: " + " ".join(orders), flush=True)
            except (TypeError, ValueError, RuntimeError) as error:
                print(f"{word}: {error}", flush=True)


if __name__ == "__main__":
    _by_hand()
