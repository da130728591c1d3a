"""Inside the virtual machine: message bus and Bluetooth service, and three doors to the outside.

    guest.py UID OUT

- the bus: each connection is one to the system bus, as the user UID;
- the radio: a connection is an adapter plugged in, its end the adapter pulled out;
- orders: a line says what to do, a line answers.

The standard library only, so that it starts quickly in a machine without
hardware acceleration. What the services say goes to files in the folder OUT.
"""

from __future__ import annotations

import contextlib
import json
import os
import platform
import select
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

DOORS = {"bus": 4001, "radio": 4002, "orders": 4003}
SOCKET = "/run/dbus/system_bus_socket"
DAEMONS = ("/usr/libexec/bluetooth/bluetoothd", "/usr/lib/bluetooth/bluetoothd", "/usr/sbin/bluetoothd")
RADIOS = Path("/sys/class/bluetooth")
VENDOR, PRIMARY = 0xFF, 0x00  # first packet of the kernel's virtual adapter: create one
# Where the length stands in the header of a packet, by its type (Core Specification, Vol 4, Part A and E).
HEADERS: dict[int, tuple[int, Callable[[bytes], int]]] = {
    0x01: (4, lambda head: head[3]),
    0x02: (5, lambda head: int.from_bytes(head[3:5], "little")),
    0x03: (4, lambda head: head[3]),
    0x04: (3, lambda head: head[2]),
    0x05: (5, lambda head: int.from_bytes(head[3:5], "little") & 0x3FFF),
}


class Services:
    """The bus daemon and bluetoothd as processes that can be killed."""

    def __init__(self, out: Path) -> None:
        self._out = out
        self._bluetooth: subprocess.Popen[bytes] | None = None
        self.daemon = next(path for path in DAEMONS if Path(path).exists())
        subprocess.run(["dbus-uuidgen", "--ensure"], check=True)
        self._start("dbus-daemon", "--system", "--nofork", "--nopidfile")
        while not Path(SOCKET).exists():
            time.sleep(0.02)

    def about(self) -> str:
        said = subprocess.run([self.daemon, "--version"], capture_output=True, text=True, check=True).stdout
        return json.dumps({"bluetoothd": said.strip(), "kernel": platform.release()})

    def start(self) -> str:
        """Returns when the service is on the bus, before it has an adapter."""
        self._bluetooth = self._start(self.daemon, "--nodetach")
        while subprocess.run(
                ["dbus-send", "--system", "--print-reply", "--dest=org.freedesktop.DBus", "/",
                 "org.freedesktop.DBus.GetNameOwner", "string:org.bluez"],
                capture_output=True, check=False).returncode:
            time.sleep(0.05)
        return ""

    def kill(self) -> str:
        """No goodbye to anyone, as when it crashes."""
        if self._bluetooth is not None:
            self._bluetooth.kill()
            self._bluetooth.wait()
        return ""

    def power(self, on: str) -> str:
        """Switch the newest adapter, as `bluetoothctl power` does."""
        adapter = max(one.name for one in RADIOS.iterdir() if ":" not in one.name)  # hci0:64 is a link
        subprocess.run(
            ["dbus-send", "--system", "--print-reply", "--dest=org.bluez", f"/org/bluez/{adapter}",
             "org.freedesktop.DBus.Properties.Set", "string:org.bluez.Adapter1", "string:Powered",
             f"variant:boolean:{'true' if on == 'on' else 'false'}"], check=True, capture_output=True)
        return ""

    def _start(self, *command: str) -> subprocess.Popen[bytes]:
        with (self._out / f"{Path(command[0]).name}.txt").open("ab") as words:
            return subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=words, stderr=words)


def bus_door(there: socket.socket) -> None:
    """One more connection to the system bus."""
    with there, socket.socket(socket.AF_UNIX) as bus:
        bus.connect(SOCKET)
        back = threading.Thread(target=copy, args=(bus, there), daemon=True)
        back.start()
        copy(there, bus)
        back.join()


def copy(source: socket.socket, sink: socket.socket) -> None:
    with contextlib.suppress(OSError):
        while data := source.recv(65_536):
            sink.sendall(data)
    for one in (source, sink):
        with contextlib.suppress(OSError):
            one.shutdown(socket.SHUT_RDWR)


def radio_door(there: socket.socket) -> None:
    """An adapter as long as the connection lasts."""
    radio = os.open("/dev/vhci", os.O_RDWR)
    rest = b""
    try:
        os.write(radio, bytes([VENDOR, PRIMARY]))
        with there, contextlib.suppress(OSError):
            while True:
                ready, _, _ = select.select([radio, there], [], [])
                if radio in ready:
                    packet = os.read(radio, 4096)
                    if packet[0] != VENDOR:
                        there.sendall(packet)
                if there in ready:
                    data = there.recv(65_536)
                    if not data:
                        return
                    whole, rest = packets(rest + data)
                    for packet in whole:
                        os.write(radio, packet)
    finally:
        os.close(radio)


def packets(data: bytes) -> tuple[list[bytes], bytes]:
    """The whole packets at the beginning of a stream, and the bytes after them."""
    found = []
    while data:
        head, length = HEADERS[data[0]]
        if len(data) < head or len(data) < head + length(data[:head]):
            break
        end = head + length(data[:head])
        found.append(data[:end])
        data = data[end:]
    return found, data


def orders_door(services: Services) -> Callable[[socket.socket], None]:
    def door(there: socket.socket) -> None:
        with there, there.makefile("rw") as lines:
            for line in lines:
                word, *rest = line.split()
                try:
                    answer = {"said": getattr(services, word)(*rest)}
                except Exception as error:
                    answer = {"error": f"{word}: {type(error).__name__}: {error}"}
                lines.write(json.dumps(answer) + "\n")
                lines.flush()
    return door


def main(uid: int, out: Path) -> None:
    services = Services(out)
    services.start()
    doors = {"bus": bus_door, "radio": radio_door, "orders": orders_door(services)}
    listening = {name: socket.create_server(("", port)) for name, port in DOORS.items()}

    def serve(name: str) -> None:
        while True:
            there, _ = listening[name].accept()
            there.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            threading.Thread(target=doors[name], args=(there,), daemon=True).start()

    # The bus knows its clients by their user, so that door is kept by a process of that user.
    keeper = os.fork()
    if keeper == 0:
        os.setgid(uid)
        os.setuid(uid)
        serve("bus")
    for name in ("radio", "orders"):
        threading.Thread(target=serve, args=(name,), daemon=True).start()
    print("BENCH ready", flush=True)
    os.waitpid(keeper, 0)


if __name__ == "__main__":
    main(int(sys.argv[1]), Path(sys.argv[2]))
