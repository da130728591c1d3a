"""The radio link: real bleak against an emulated BlueZ on a private D-Bus."""

from __future__ import annotations

import asyncio
import os
import shutil
import subprocess
import sys
import time
from dataclasses import replace

import pytest

from guard.devices.seen import RememberedDevice, Wanted
from guard.errors import HardwareError
from guard.events import Battery, Link, LinkState, Reading
from guard.radio.listen import Listener
from guard.radio.search import LinkOptions
from guard.radio.strap import StrapSource
from guard.radio.watch import LinkTiming
from tests.support.radio import bluez, forget_bus, radio_room, running

__all__ = ["bluez", "radio_room"]

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or not shutil.which("dbus-daemon"), reason="needs Linux and dbus-daemon")

MINE = "C8:00:00:00:00:01"
OTHER = "C8:00:00:00:00:02"
QUICK = LinkTiming(doubt_s=0.5, silent_s=1.0, look_every_s=0.2, listen_s=0.3, stretch_s=0.8, hint_s=0.5)
KNOWN = Wanted("Invented strap", MINE)


async def refused(source, limit_s=10.0):
    """The HardwareError the source ends with."""
    async with running(source) as ran, asyncio.timeout(limit_s):
        with pytest.raises(HardwareError) as caught:
            await ran.task
    return str(caught.value)


async def test_finds_connects_and_reads(bluez):
    bluez.add_strap(MINE, bpm=131, battery=64, location=1)
    async with running(StrapSource(KNOWN)) as ran:
        first = await ran.reading()
        await ran.until(lambda event: isinstance(event, Battery))
    assert (first.bpm, first.contact, first.raw[0]) == (131, True, 0x16)
    assert first.rr_s == pytest.approx((60 / 131,), abs=4 / 1024)
    assert first.t_s == round(first.t_s, 3)
    assert [link.state for link in ran.links[:3]] == [
        LinkState.SEARCHING, LinkState.CONNECTING, LinkState.CONNECTED]
    assert ran.links[2].name == "Invented strap"
    assert ran.links[2].address == MINE
    assert ran.links[2].body_location == "chest"
    assert [event.percent for event in ran.events if isinstance(event, Battery)] == [64]


async def test_the_only_strap_in_range_is_taken_once_others_had_time_to_show(bluez):
    bluez.add_strap(MINE)
    kept = []
    async with running(StrapSource(options=LinkOptions(timing=QUICK, remember=kept.append))) as ran:
        connecting = await ran.link(LinkState.CONNECTING)
        await ran.reading()
        await asyncio.sleep(0.1)
    assert connecting.t_s >= QUICK.listen_s
    assert kept == [RememberedDevice("Invented strap", MINE)]


async def test_a_remembered_strap_is_taken_among_several(bluez):
    bluez.add_strap(OTHER, "Invented strap")
    bluez.add_strap(MINE, "Invented strap")
    async with running(StrapSource(KNOWN)) as ran:
        await ran.reading()
        assert ran.links[-1].address == MINE
        assert bluez.look()["straps"][OTHER]["connects"] == 0


async def test_several_straps_are_named_and_none_is_taken(bluez):
    bluez.add_strap(MINE, "Strap one")
    bluez.add_strap(OTHER, "Strap \x1b[31mtwo\x07")
    said = await refused(StrapSource(options=LinkOptions(timing=QUICK)))
    assert said == ("2 straps are in range and none is surely yours: "
                    f"Strap [31mtwo ({OTHER}), Strap one ({MINE}); "
                    "say which with `guard straps --remember ADDRESS`")
    assert [one["connects"] for one in bluez.look()["straps"].values()] == [0, 0]


async def test_several_straps_and_a_runner_who_chooses(bluez):
    bluez.add_strap(MINE, "Strap one")
    bluez.add_strap(OTHER, "Strap two")
    offered = []

    async def choose(seen):
        offered.extend(sorted(one.name for one in seen))
        assert not bluez.look()["discovering"], "the radio rests while the runner thinks"
        return next(one for one in seen if one.name == "Strap two")

    source = StrapSource(options=LinkOptions(choose=choose, timing=QUICK))
    async with running(source) as ran:
        await ran.reading()
        assert ran.links[-1].name == "Strap two"
        assert source.about["address"] == OTHER
    assert offered == ["Strap one", "Strap two"]


async def test_a_lone_strap_is_not_taken_for_the_runners_without_asking(bluez):
    bluez.add_strap(OTHER, "Strap of a neighbour")
    offered = []

    async def not_mine(seen):
        offered.append([one.name for one in seen])

    source = StrapSource(options=LinkOptions(choose=not_mine, timing=QUICK, wait_s=2.0))
    assert "no heart-rate strap found yet" in await refused(source)
    assert offered == [["Strap of a neighbour"]]
    assert bluez.look()["straps"][OTHER]["connects"] == 0


async def test_a_runner_may_take_his_time_to_choose(bluez, monkeypatch):
    bluez.add_strap(MINE, "Strap one")
    bluez.add_strap(OTHER, "Strap two")
    listeners, begin = [], Listener.__init__

    def kept_in_view(self, *kinds):
        begin(self, *kinds)
        listeners.append(self)

    monkeypatch.setattr(Listener, "__init__", kept_in_view)

    async def choose(seen):
        listeners[-1]._keep_s = 0.0  # as if all had been heard too long ago
        return next(one for one in seen if one.name == "Strap two")

    async with asyncio.timeout(8):
        source = StrapSource(options=LinkOptions(choose=choose, timing=QUICK))
        assert (await source.prepare()).address == OTHER


async def test_a_neighbour_is_never_taken_for_the_remembered_strap(bluez):
    bluez.add_strap(OTHER, "Strap of a neighbour")
    said = await refused(StrapSource(KNOWN, LinkOptions(timing=QUICK, wait_s=1.5)))
    assert said.startswith("after 1.5 s: Invented strap not found yet: wet the electrodes")
    assert f"in range: Strap of a neighbour ({OTHER})" in said
    assert bluez.look()["straps"][OTHER]["connects"] == 0


async def test_a_private_address_that_changed_is_recognised_by_name_and_said(bluez):
    bluez.add_strap("5A:00:00:00:00:07", "Invented strap")
    async with running(StrapSource(KNOWN, LinkOptions(timing=QUICK))) as ran:
        await ran.reading()
    assert ran.links[-1].detail == "recognised by its name, under a new address"


async def test_a_public_address_never_changes_so_the_same_name_is_not_enough(bluez):
    bluez.add_strap("00:11:22:00:00:07", "Invented strap", address_type="public")
    said = await refused(StrapSource(KNOWN, LinkOptions(timing=QUICK, wait_s=1.5)))
    assert "Invented strap not found yet" in said


async def test_a_search_in_vain_says_the_mend_and_goes_on(bluez):
    async with running(StrapSource(options=LinkOptions(timing=QUICK))) as ran:
        hint = await ran.until(lambda event: isinstance(event, Link) and "wet the electrodes" in event.detail)
        assert hint.state is LinkState.SEARCHING
        bluez.add_strap(MINE)
        await ran.reading()


@pytest.mark.parametrize("away_s", [0.0, 1.5])
async def test_a_lost_link_is_regained_within_ten_seconds_of_its_return(bluez, away_s):
    """With the real time limits."""
    bluez.add_strap(MINE, interval_s=0.5)
    async with running(StrapSource(KNOWN)) as ran:
        await ran.reading()
        mark = len(ran.events)
        bluez.drop(MINE, advertising=not away_s)
        lost = await ran.link(LinkState.LOST, 1.0, after=mark)
        await asyncio.sleep(away_s)
        bluez.change(MINE, advertising=True)
        back_s = ran.clock.now_s()
        again = await ran.reading(10.0, after=mark)
    assert (lost.detail, lost.fault) == ("the link to the strap broke", "broke")
    assert again.t_s - back_s < 10.0


async def test_a_killed_service_is_said_and_regained(bluez):
    """With the real time limits: neither platform nor library notices this death."""
    bluez.add_strap(MINE, interval_s=1.0)
    async with running(StrapSource(KNOWN)) as ran:
        await ran.reading()
        mark, died_s = len(ran.events), ran.clock.now_s()
        bluez.kill_service()
        said = await ran.link(LinkState.UNAVAILABLE, 8.0, after=mark)
        assert said.t_s - died_s < 8.0
        assert "the Bluetooth service is not running" in said.detail
        lost = await ran.link(LinkState.LOST, after=mark)
        assert (lost.detail, lost.fault) == ("the Bluetooth service is not running", "no_service")
        mark = len(ran.events)
        bluez.start_service()
        await ran.reading(10.0, after=mark)


@pytest.mark.parametrize("link_survives", [False, True])
async def test_a_service_restarted_in_between_is_noticed(bluez, link_survives):
    """Everything looks well again before anyone looks."""
    bluez.add_strap(MINE)
    async with running(StrapSource(KNOWN, LinkOptions(timing=replace(QUICK, silent_s=60.0)))) as ran:
        await ran.reading()
        bluez.kill_service()
        mark = len(ran.events)
        bluez.straps[MINE].connected = link_survives
        bluez.start_service()
        back_s = ran.clock.now_s()
        again = await ran.reading(10.0, after=mark + 1)
    assert again.t_s - back_s < 10.0


async def test_a_service_that_hangs_is_said_and_regained(bluez):
    bluez.add_strap(MINE)
    limits = LinkTiming(doubt_s=0.5, silent_s=1.0, look_every_s=0.2, ask_s=0.5, part_s=0.5, connect_s=2.0)
    async with running(StrapSource(KNOWN, LinkOptions(timing=limits))) as ran:
        await ran.reading()
        mark = len(ran.events)
        bluez.freeze_service()
        said = await ran.link(LinkState.UNAVAILABLE, 8.0, after=mark)
        assert "does not answer" in said.detail
        mark = len(ran.events)
        bluez.thaw_service()
        await ran.reading(10.0, after=mark)


def _start_bus_and_service(bluez):
    bluez.kill_service()  # it lost its bus
    bluez.start_bus()
    bluez.start_service()


@pytest.mark.parametrize(("breaks", "mends", "said"), [
    (lambda bluez: bluez.kill_bus(), _start_bus_and_service, "D-Bus"),
    (lambda bluez: bluez.power(False), lambda bluez: bluez.power(True),
     "the Bluetooth adapter is off: `bluetoothctl power on`"),
    *((lambda bluez: bluez.unplug(), lambda bluez, slot=slot: bluez.plug(slot), "no Bluetooth adapter found")
      for slot in ("hci0", "hci1")),
], ids=["a dead bus", "switched off", "pulled out", "plugged in elsewhere"])
async def test_a_radio_in_trouble_is_said_and_regained(bluez, breaks, mends, said):
    bluez.add_strap(MINE)
    async with running(StrapSource(KNOWN, LinkOptions(timing=QUICK))) as ran:
        await ran.reading()
        mark = len(ran.events)
        breaks(bluez)
        assert said in (await ran.link(LinkState.UNAVAILABLE, 8.0, after=mark)).detail
        mark = len(ran.events)
        mends(bluez)
        await ran.reading(10.0, after=mark)


async def test_a_silent_strap_is_connected_anew(bluez):
    bluez.add_strap(MINE)
    async with running(StrapSource(KNOWN, LinkOptions(timing=QUICK))) as ran:
        await ran.reading()
        mark = len(ran.events)
        bluez.change(MINE, silent=True)
        lost = await ran.link(LinkState.LOST, after=mark)
        assert lost.detail.startswith("connected, but no readings for 1 s")
        bluez.change(MINE, silent=False)
        await ran.reading(after=mark + 2)
        assert bluez.look()["straps"][MINE]["connects"] == 2


async def test_silence_ends_a_link_at_ten_to_twelve_seconds():
    limits = LinkTiming()
    assert 10.0 <= limits.silent_s <= 12.0
    assert limits.doubt_s + limits.ask_s <= 8.0, "trouble of the radio is said in time"


async def test_a_strap_without_signal_keeps_its_link(bluez):
    """0 bpm without contact is a dry electrode, not a broken link."""
    bluez.add_strap(MINE, bpm=0, contact=False, rr=False)
    async with running(StrapSource(KNOWN, LinkOptions(timing=QUICK))) as ran:
        first = await ran.reading()
        await asyncio.sleep(1.3 * QUICK.silent_s)
        assert (first.bpm, first.contact) == (0, False)
        assert bluez.look()["straps"][MINE]["connects"] == 1


async def test_malformed_packets_are_said_once_and_never_read(bluez):
    bluez.add_strap(MINE, bpm=77, rr=False, contact=None, packets=["", "08 4d", "01 4d", "00 4d"])
    async with running(StrapSource(KNOWN, LinkOptions(timing=QUICK))) as ran:
        await ran.until(lambda event: isinstance(event, Reading))
        details = [link.detail for link in ran.links if link.state is LinkState.CONNECTED and link.detail]
    assert {reading.bpm for reading in ran.readings} == {77}
    assert details[0] == "a packet of 0 bytes could not be read (empty packet)"
    assert "energy is missing" in details[1]


async def test_a_wild_sensor_does_not_fill_the_log(bluez):
    bluez.add_strap(MINE, silent=True)
    async with running(StrapSource(KNOWN)) as ran:
        await ran.link(LinkState.CONNECTED)
        for number in range(300):
            bluez.packet(MINE, bytes([0x01] if number % 2 else [0x18, 77, 1, 2, 3][:2 + number % 3]))
        bluez.packet(MINE, b"\x00\x4d")
        await ran.reading()
        said = [link.detail for link in ran.links if "could not be read" in link.detail]
    assert 1 <= len(said) <= 3 and len(set(said)) == len(said)


async def test_packets_faster_than_any_strap_are_left_out_and_said(bluez):
    bluez.add_strap(MINE, silent=True)
    async with running(StrapSource(KNOWN)) as ran:
        await ran.link(LinkState.CONNECTED)
        for number in range(600):
            bluez.packet(MINE, bytes([0x00, 60 + number % 100]))
        await ran.until(lambda event: isinstance(event, Link) and "far more often" in event.detail)
        await asyncio.sleep(0.3)
    assert len(ran.readings) <= 60


async def test_a_strap_that_another_guard_reads_is_left_alone(bluez):
    bluez.add_strap(MINE)
    said = await refused_while_preparing(StrapSource(KNOWN, LinkOptions(hold=lambda address: "process 4711")))
    assert f"Invented strap ({MINE}) is already read by another guard on this machine (process 4711)" in said
    assert bluez.look()["straps"][MINE]["connects"] == 0


async def refused_while_preparing(source):
    with pytest.raises(HardwareError) as caught:
        await source.prepare()
    return str(caught.value)


def test_who_holds_a_device_is_told_to_another_process(tmp_path, monkeypatch):
    from guard.files.hold import hold

    monkeypatch.setenv("GUARD_HOME", str(tmp_path))

    def asked_elsewhere(address: str) -> str:
        ask = [sys.executable, "-c", f"from guard.files.hold import hold; print(hold('{address}'))"]
        return subprocess.run(ask, capture_output=True, text=True, check=True).stdout.strip()

    assert hold(MINE) == "" == hold(MINE)  # ours stays ours
    assert asked_elsewhere(MINE) == f"process {os.getpid()}"
    assert asked_elsewhere(OTHER) == ""
    assert asked_elsewhere(OTHER) == ""  # that one ended, and its hold with it


async def test_packets_delivered_twice_count_once(bluez):
    bluez.add_strap(MINE, silent=True)
    async with running(StrapSource(KNOWN)) as ran:
        await ran.link(LinkState.CONNECTED)
        for raw in (b"\x10\x4b\x33\x03", b"\x10\x4b\x33\x03", b"\x10\x4b\x34\x03", b"\x00\x50", b"\x00\x50"):
            bluez.packet(MINE, raw)
        await ran.until(lambda event: isinstance(event, Reading) and event.bpm == 80)
        await asyncio.sleep(0.1)
    assert [reading.bpm for reading in ran.readings] == [75, 75, 80, 80]


async def test_what_comes_late_from_an_old_connection_is_dropped(bluez, monkeypatch):
    import bleak

    callbacks = []
    start_notify = bleak.BleakClient.start_notify

    async def listen_in(self, what, callback, **how):
        callbacks.append(callback)
        return await start_notify(self, what, callback, **how)

    monkeypatch.setattr(bleak.BleakClient, "start_notify", listen_in)
    bluez.add_strap(MINE, bpm=100, battery=None)
    async with running(StrapSource(KNOWN)) as ran:
        await ran.reading()
        mark = len(ran.events)
        bluez.drop(MINE)
        await ran.reading(after=mark)
        callbacks[0](None, bytearray(b"\x00\x99"))
        callbacks[-1](None, bytearray(b"\x00\x55"))
    assert 0x99 not in [reading.bpm for reading in ran.readings]


async def test_hostile_names_reach_no_event_as_they_are(bluez):
    name = "\x1b]0;owned\x07[bold red]strap\u202e\r\n" + "x" * 200
    bluez.add_strap(MINE, name)
    async with running(StrapSource(options=LinkOptions(timing=QUICK))) as ran:
        await ran.reading()
    for link in ran.links:
        assert link.name.isprintable()
        assert len(link.name) <= 60
    assert ran.links[-1].name.startswith("]0;owned[bold red]strapxxx")


async def test_a_nameless_strap_is_connected_by_its_address(bluez):
    bluez.add_strap(MINE, "")
    async with running(StrapSource(Wanted(address=MINE))) as ran:
        await ran.reading()
    assert ran.links[-1].name == MINE


async def test_cancelling_disconnects_in_time(bluez):
    bluez.add_strap(MINE)
    async with running(StrapSource(KNOWN)) as ran:
        await ran.reading()
        began_s = time.monotonic()
    assert time.monotonic() - began_s < 3.0
    state = bluez.look()
    assert not state["straps"][MINE]["connected"]
    assert not state["discovering"]
    assert not [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]


async def test_cancelling_a_search_stops_the_scan(bluez):
    async with running(StrapSource(KNOWN)) as ran:
        await ran.link(LinkState.SEARCHING)
        await asyncio.sleep(0.3)
        assert bluez.look()["discovering"]
    assert not bluez.look()["discovering"]


async def test_a_strap_this_machine_still_holds_is_found(bluez):
    """What a killed program leaves behind: connected, so it advertises no more."""
    bluez.add_strap(MINE, connected=True)
    async with running(StrapSource(KNOWN)) as ran:
        await ran.reading(5.0)
        assert bluez.look()["straps"][MINE]["connects"] == 0


async def test_services_that_show_up_late_are_waited_for_again(bluez):
    bluez.add_strap(MINE, no_measurement=True)
    async with running(StrapSource(KNOWN)) as ran:
        lost = await ran.link(LinkState.LOST)
        assert lost.detail == "the device did not show its heart rate yet"
        bluez.remove_strap(MINE)
        bluez.add_strap(MINE)
        await ran.reading(after=len(ran.events))


async def test_a_strap_that_refuses_is_named_when_time_is_up(bluez):
    bluez.add_strap(MINE, refuses=True)
    said = await refused(StrapSource(KNOWN, LinkOptions(timing=QUICK, wait_s=2.0)), 15.0)
    assert said.startswith(f"after 2 s: Invented strap ({MINE}) was found, but: Bluetooth refused")


async def test_battery_changes_are_put(bluez):
    bluez.add_strap(MINE, battery=16)
    async with running(StrapSource(KNOWN)) as ran:
        await ran.until(lambda event: isinstance(event, Battery) and event.percent == 16)
        bluez.change(MINE, battery=14)
        await ran.until(lambda event: isinstance(event, Battery) and event.percent == 14)


async def test_a_battery_that_only_answers_questions_is_asked_again(bluez):
    bluez.add_strap(MINE, battery=16, battery_notifies=False)
    async with running(StrapSource(KNOWN, LinkOptions(timing=LinkTiming(battery_every_s=0.2)))) as ran:
        await ran.until(lambda event: isinstance(event, Battery) and event.percent == 16)
        bluez.change(MINE, battery=15)
        await ran.until(lambda event: isinstance(event, Battery) and event.percent == 15)


async def test_a_strap_that_tells_only_its_heart_rate_will_do(bluez):
    bluez.add_strap(MINE, battery=None, location=None)
    async with running(StrapSource(KNOWN)) as ran:
        await ran.reading()
        await asyncio.sleep(0.3)
    assert not [event for event in ran.events if isinstance(event, Battery)]
    assert ran.links[-1].body_location == ""


async def test_preparing_finds_the_strap_before_the_session(bluez):
    bluez.add_strap(MINE)
    told = []
    source = StrapSource(KNOWN)
    seen = await source.prepare(told.append)
    assert (seen.name, seen.address) == ("Invented strap", MINE)
    assert told == ["looking for the heart-rate strap"]
    assert source.about == {"kind": "strap", "name": "Invented strap", "address": MINE,
                            "service": "0000180d-0000-1000-8000-00805f9b34fb"}
    async with running(source) as ran:
        await ran.reading()
    assert ran.links[0].state is LinkState.CONNECTING


async def test_without_an_adapter_the_mend_is_said_at_once(bluez):
    bluez.unplug()
    assert "no Bluetooth adapter found" in await refused(StrapSource(KNOWN))


async def test_an_adapter_that_is_off_at_the_start_is_said_at_once(bluez):
    bluez.power(False)
    assert await refused(StrapSource(KNOWN)) == "the Bluetooth adapter is off: `bluetoothctl power on`"


async def test_without_the_service_the_mend_is_said_at_once(bluez):
    bluez.kill_service()
    assert "`sudo systemctl start bluetooth`" in await refused(StrapSource(KNOWN))


async def test_without_a_bus_the_mend_is_said_at_once(monkeypatch, tmp_path):
    monkeypatch.setitem(os.environ, "DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/nobody")
    assert "D-Bus" in await refused(StrapSource(KNOWN))
    await forget_bus()
