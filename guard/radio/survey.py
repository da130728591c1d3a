"""A survey of the devices in range, and the charge of one of them."""

import asyncio
import contextlib

from bleak import BleakClient

from guard.devices.peripheral import BATTERY_LEVEL, STRAP_PERIPHERAL, Peripheral
from guard.errors import HardwareError
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


async def read_battery(one: Sighting, limits: LinkTiming | None = None) -> int | None:
    """Charge in percent, connecting for it; None where the device does not tell or answer.

    A device that this machine holds already is left alone: to disconnect from
    it afterwards would end the session that uses it.
    """
    if one.already_connected:
        return None
    limits = limits or LinkTiming()
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
