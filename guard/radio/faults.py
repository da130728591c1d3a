"""What went wrong with the radio, in one plain sentence that says the mend."""

from __future__ import annotations

import sys

from guard.devices.peripheral import HEART_RATE, Peripheral
from guard.devices.seen import plain

NO_BUS = ("the system message bus (D-Bus), through which Bluetooth is reached, does not answer: "
          "start it, or in a container pass /run/dbus/system_bus_socket through")
NO_PERMISSION = ("no permission to use Bluetooth: add yourself to the group with "
                 "`sudo usermod -aG bluetooth $USER` and log in again")
NO_SERVICE = ("the Bluetooth service is not running: `sudo systemctl start bluetooth` "
              "(if it is missing, install the package bluez)")
SERVICE_STUCK = "the Bluetooth service does not answer: `sudo systemctl restart bluetooth`"
NO_ADAPTER = "no Bluetooth adapter found: plug one in, or take it out and put it back"
NO_LOW_ENERGY = ("the Bluetooth adapter is too old for heart-rate straps: "
                 "use one with Bluetooth 4.0 (low energy) or newer")
ADAPTER_OFF = "the Bluetooth adapter is off: `bluetoothctl power on`"
ADAPTER_BLOCKED = "the Bluetooth adapter is blocked: `rfkill unblock bluetooth`, then `bluetoothctl power on`"
ADAPTER_SWITCH = "a switch or key of this machine holds the Bluetooth adapter off: switch it on there"
ELSEWHERE = HEART_RATE.mend

if sys.platform == "darwin":
    NO_PERMISSION = ("no permission to use Bluetooth: allow it for your terminal in "
                     "System Settings, Privacy & Security, Bluetooth")
    ADAPTER_OFF = "Bluetooth is off: turn it on in System Settings, Bluetooth"
elif sys.platform == "win32":
    NO_PERMISSION = ("no permission to use Bluetooth: allow it in Settings, Privacy & security, "
                     "for desktop apps")
    ADAPTER_OFF = "Bluetooth is off: turn it on in Settings, Bluetooth & devices"

_BY_DBUS_NAME = {
    "org.bluez.Error.NotReady": ADAPTER_OFF,
    "org.freedesktop.DBus.Error.AccessDenied": NO_PERMISSION,
    "org.freedesktop.DBus.Error.ServiceUnknown": NO_SERVICE,
    "org.freedesktop.DBus.Error.NameHasNoOwner": NO_SERVICE,
    "org.freedesktop.DBus.Error.NoReply": SERVICE_STUCK,
    "org.freedesktop.DBus.Error.TimedOut": SERVICE_STUCK,
}


def explain(error: BaseException, about: Peripheral = HEART_RATE) -> str:
    """The sentence for an error of the Bluetooth library, the bus or the platform.

    `about` is the kind of device it happened with.
    """
    from bleak.exc import (
        BleakBluetoothNotAvailableError,
        BleakCharacteristicNotFoundError,
        BleakDBusError,
        BleakDeviceNotFoundError,
    )

    if isinstance(error, BleakBluetoothNotAvailableError):
        return _unavailable(error)
    if isinstance(error, BleakDeviceNotFoundError):
        return f"the {about.noun} was gone before it could be connected"
    if isinstance(error, BleakCharacteristicNotFoundError):
        return f"the device did not show its {about.shows} yet"
    if isinstance(error, BleakDBusError):
        known = _BY_DBUS_NAME.get(error.dbus_error)
        return known or f"Bluetooth refused ({plain(str(error), 120)})"
    if isinstance(error, TimeoutError):
        return f"no answer in time: {about.mend}"
    if isinstance(error, PermissionError):
        return NO_PERMISSION
    if isinstance(error, (FileNotFoundError, ConnectionError, EOFError)):
        return NO_BUS if sys.platform == "linux" else f"Bluetooth does not answer ({type(error).__name__})"
    said = plain(str(error), 120)
    return f"Bluetooth failed ({said or type(error).__name__})"


def what(sentence: str) -> str:
    """The part of one of these sentences that says what is wrong, without the mend."""
    return sentence.partition(": ")[0]


def mend(sentence: str) -> str:
    """The part that says the mend, "" where there is none."""
    return sentence.partition(": ")[2]


def _unavailable(error: BaseException) -> str:
    from bleak.exc import BleakBluetoothNotAvailableReason as Reason

    reason = getattr(error, "reason", Reason.UNKNOWN)
    if reason is Reason.NO_BLUETOOTH:
        return NO_ADAPTER
    if reason is Reason.NO_BLE_CENTRAL_ROLE:
        return NO_LOW_ENERGY
    if reason is Reason.POWERED_OFF:
        return ADAPTER_OFF
    if reason in (Reason.DENIED_BY_USER, Reason.DENIED_BY_SYSTEM, Reason.DENIED_BY_UNKNOWN):
        return NO_PERMISSION
    return f"Bluetooth is not available ({plain(str(error.args[0] if error.args else error), 120)})"
