"""A survey of the devices in range, and the charge of one of them."""

import asyncio
import contextlib
import sys

from bleak import BleakClient

from guard.devices.peripheral import BATTERY_LEVEL, STRAP_PERIPHERAL, Peripheral
from guard.devices.seen import Taken, Wanted, pick
from guard.errors import Check, HardwareError
from guard.packets import heart_rate as packet
from guard.radio import faults
from guard.radio.adapter import look
from guard.radio.listen import Listener, Sighting
from guard.radio.watch import LinkTiming


async def survey(
    seconds: float, *kinds: Peripheral, limits: LinkTiming | None = None
) -> list[Sighting]:
    """Listen for `seconds`; the devices of these kinds (straps) heard, nearest first.

    Raises HardwareError with the fix where the radio is not ready.
    """
    limits = limits or LinkTiming()
    radio = await look(limits.ask_s)
    if radio.problem:
        raise HardwareError(radio.problem.what, radio.problem.fix)
    listener = Listener(*(kinds or (STRAP_PERIPHERAL,)), keep_s=seconds + limits.ask_s)
    await listener.add_connected(radio, limits.ask_s)
    try:
        await listener.start(radio, limits.ask_s)
        await asyncio.sleep(seconds)
    except Exception as error:  # whatever the radio throws, the runner gets the fix
        fault = faults.explain(error)
        raise HardwareError(fault.what, fault.fix) from None
    finally:
        await listener.stop(limits.part_s)

    def nearness(one: Sighting) -> tuple[int, str]:
        rssi_dbm = one.seen.rssi_dbm
        return (0 if rssi_dbm is None else -rssi_dbm, one.seen.address)

    return sorted(listener.sightings, key=nearness)


async def read_battery(one: Sighting) -> int | None:
    """Charge in percent, connecting for it; None where the device does not tell or answer.

    A device that this machine holds already is left alone: to disconnect from
    it afterwards would end the session that uses it.
    """
    if one.already_connected:
        return None
    limits = LinkTiming()
    client = BleakClient(one.device, timeout=limits.connect_s)
    percent = None
    with contextlib.suppress(Exception):
        async with asyncio.timeout(limits.connect_s):
            await client.connect()
            percent = packet.battery_percent(bytes(await client.read_gatt_char(BATTERY_LEVEL)))
    with contextlib.suppress(Exception):
        async with asyncio.timeout(limits.part_s):
            await client.disconnect()
    return percent


async def radio_checks() -> list[Check]:
    """Bluetooth service and permission, adapter, power; stops at the first that fails.

    Outside Linux the platform only tells whether it can scan, so that is the
    one check.
    """
    if sys.platform != "linux":
        try:
            await survey(0.5)
        except HardwareError as error:
            return [Check("Bluetooth", False, error.what, error.fix)]
        return [Check("Bluetooth", True, "ready")]
    radio = await look()
    steps = {
        "bus": ("system bus", "the system message bus answers"),
        "service": ("Bluetooth service", "running"),
        "adapter": ("Bluetooth adapter", f"{radio.adapter} found"),
        "power": ("Bluetooth power", f"{radio.adapter} is on"),
    }
    checks = []
    for stage, (name, detail) in steps.items():
        if radio.problem is not None and stage == radio.stage:
            checks.append(Check(name, False, radio.problem.what, radio.problem.fix))
            break
        checks.append(Check(name, True, detail))
    return checks


async def strap_checks(
    wanted: Wanted | None, seconds: float = 6.0, battery_low_percent: int = 15,
) -> list[Check]:
    """Is the strap in range and charged? Takes `seconds` and a connection.

    `wanted` is the remembered strap, None for the only one in range. Asks the
    radio only; call it once `radio_checks` are all ok.
    """
    name = "strap"
    try:
        sightings = await survey(seconds)
    except HardwareError as error:
        return [Check(name, False, error.what, error.fix)]
    verdict = pick([one.seen for one in sightings], wanted, settled=True)
    if verdict is None:
        others = ", ".join(one.seen.label for one in sightings)
        missing = f"{wanted.label} not found in {seconds:g} s" if wanted else f"none found in {seconds:g} s"
        fix = faults.ELSEWHERE
        if others:
            fix += "; if one of those in range is yours, `guard straps --remember ADDRESS`"
        return [Check(name, False, missing + (f"; in range: {others}" if others else ""), fix)]
    if not isinstance(verdict, Taken):
        labels = ", ".join(one.label for one in verdict.seen)
        return [Check(name, False, f"several in range: {labels}",
                      "say which is yours with `guard straps --remember ADDRESS`")]
    found = next(one for one in sightings if one.seen == verdict.seen)
    strength = "connected already" if found.seen.rssi_dbm is None else f"{found.seen.rssi_dbm} dBm"
    note = f", {verdict.note}" if verdict.note else ""
    checks = [Check(name, True, f"{found.seen.label}, {strength}{note}")]
    percent = await read_battery(found)
    if percent is not None:
        enough = battery_low_percent == 0 or percent > battery_low_percent
        checks.append(Check("strap battery", enough, f"{percent} %",
                            "" if enough else "change the strap's battery", essential=False))
    return checks
