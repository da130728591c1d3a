"""What went wrong with the radio, in one plain sentence that says the fix."""

import sys
from dataclasses import dataclass, replace
from typing import Self

from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakCharacteristicNotFoundError,
    BleakDBusError,
    BleakDeviceNotFoundError,
)
from bleak.exc import BleakBluetoothNotAvailableReason as Reason

from guard.devices.peripheral import STRAP_PERIPHERAL, Peripheral
from guard.devices.seen import plain


@dataclass(frozen=True, slots=True)
class Fault:
    """Something wrong on the way to a device: a stable lower-case code, what is wrong, and the fix."""

    code: str
    what: str
    fix: str = ""

    def __str__(self) -> str:
        return f"{self.what}: {self.fix}" if self.fix else self.what

    def brief(self) -> Self:
        """The same without the fix, where that is said elsewhere."""
        return replace(self, fix="")


NO_BUS = Fault(
    "no_bus", "the system message bus (D-Bus), through which Bluetooth is reached, does not answer",
    "start it (sudo systemctl start dbus), or in a container pass /run/dbus/system_bus_socket through")
NO_PERMISSION = Fault(
    "no_permission", "no permission to use Bluetooth",
    "add yourself to the group with `sudo usermod -aG bluetooth $USER` and log in again")
NO_SERVICE = Fault(
    "no_service", "the Bluetooth service is not running",
    "`sudo systemctl start bluetooth` (if it is missing, install the package bluez)")
SERVICE_STUCK = Fault(
    "service_stuck", "the Bluetooth service does not answer", "`sudo systemctl restart bluetooth`")
NO_ADAPTER = Fault(
    "no_adapter", "no Bluetooth adapter found", "plug one in, or unplug it and plug it in again")
NO_LOW_ENERGY = Fault(
    "no_low_energy", "the Bluetooth adapter is too old for heart-rate straps",
    "use one with Bluetooth 4.0 (low energy) or newer")
ADAPTER_OFF = Fault("adapter_off", "the Bluetooth adapter is off", "`bluetoothctl power on`")
ADAPTER_BLOCKED = Fault(
    "adapter_blocked", "the Bluetooth adapter is blocked",
    "`rfkill unblock bluetooth`, then `bluetoothctl power on`")
ADAPTER_SWITCH = Fault(
    "adapter_switch", "a switch or key on this machine keeps the Bluetooth adapter off",
    "switch it on there")
SERVICE_RESTARTED = Fault("service_restarted", "the Bluetooth service was restarted")
ELSEWHERE = STRAP_PERIPHERAL.fix

if sys.platform == "darwin":
    NO_PERMISSION = replace(NO_PERMISSION, fix="allow it for your terminal in "
                            "System Settings, Privacy & Security, Bluetooth")
    ADAPTER_OFF = replace(ADAPTER_OFF, what="Bluetooth is off",
                          fix="turn it on in System Settings, Bluetooth")
elif sys.platform == "win32":
    NO_PERMISSION = replace(NO_PERMISSION, fix="allow it in Settings, Privacy & security, for desktop apps")
    ADAPTER_OFF = replace(ADAPTER_OFF, what="Bluetooth is off",
                          fix="turn it on in Settings, Bluetooth & devices")

_BY_DBUS_NAME = {
    "org.bluez.Error.NotReady": ADAPTER_OFF,
    "org.freedesktop.DBus.Error.AccessDenied": NO_PERMISSION,
    "org.freedesktop.DBus.Error.ServiceUnknown": NO_SERVICE,
    "org.freedesktop.DBus.Error.NameHasNoOwner": NO_SERVICE,
    "org.freedesktop.DBus.Error.NoReply": SERVICE_STUCK,
    "org.freedesktop.DBus.Error.TimedOut": SERVICE_STUCK,
}


def explain(error: BaseException, about: Peripheral = STRAP_PERIPHERAL) -> Fault:
    """The fault that an error of the Bluetooth library, the bus or the platform tells.

    `about` is the kind of device it happened with.
    """
    if isinstance(error, BleakBluetoothNotAvailableError):
        return _unavailable(error)
    if isinstance(error, BleakDeviceNotFoundError):
        return Fault("gone", f"the {about.noun} was gone before it could be connected")
    if isinstance(error, BleakCharacteristicNotFoundError):
        return Fault("not_shown", f"the device did not show its {about.shows} yet")
    if isinstance(error, BleakDBusError):
        known = _BY_DBUS_NAME.get(error.dbus_error)
        return known or Fault("refused", f"Bluetooth refused ({plain(str(error), 120)})")
    if isinstance(error, TimeoutError):
        return Fault("no_answer", "no answer in time", about.fix)
    if isinstance(error, PermissionError):
        return NO_PERMISSION
    if isinstance(error, (FileNotFoundError, ConnectionError, EOFError)):
        if sys.platform == "linux":
            return NO_BUS
        return Fault("no_bus", f"Bluetooth does not answer ({type(error).__name__})")
    said = plain(str(error), 120)
    return Fault("failed", f"Bluetooth failed ({said or type(error).__name__})")


def _unavailable(error: BleakBluetoothNotAvailableError) -> Fault:
    reason = error.reason
    if reason is Reason.NO_BLUETOOTH:
        return NO_ADAPTER
    if reason is Reason.NO_BLE_CENTRAL_ROLE:
        return NO_LOW_ENERGY
    if reason is Reason.POWERED_OFF:
        return ADAPTER_OFF
    if reason in (Reason.DENIED_BY_USER, Reason.DENIED_BY_SYSTEM, Reason.DENIED_BY_UNKNOWN):
        return NO_PERMISSION
    said = plain(str(error.args[0] if error.args else error), 120)
    return Fault("not_available", f"Bluetooth is not available ({said})")
