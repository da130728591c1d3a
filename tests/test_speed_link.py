"""Treadmill and foot pod beside a strap: real bleak against an emulated BlueZ on a private D-Bus."""

from __future__ import annotations

import asyncio
import shutil
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

import guard
from guard.devices.peripheral import (
    FOOT_POD_PERIPHERAL,
    SPEED_PERIPHERALS,
    STRAP_PERIPHERAL,
    TREADMILL_PERIPHERAL,
)
from guard.devices.seen import RememberedDevice, Wanted
from guard.events import Battery, LinkState, Reading, Speed, SpeedLink
from guard.radio.airtime import Airtime
from guard.radio.companions import WithSpeed
from guard.radio.search import LinkOptions
from guard.radio.speed_source import SPEED_TIMING, SpeedSource
from guard.radio.strap import StrapSource
from guard.radio.survey import survey
from guard.radio.watch import LinkTiming
from guard.session.speeds import OLD_S, Speeds
from tests.support.radio import bluez, radio_room, running

__all__ = ["bluez", "radio_room"]

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or not shutil.which("dbus-daemon"), reason="needs Linux and dbus-daemon")

STRAP, BELT, POD = "C8:00:00:00:00:01", "00:11:22:00:00:02", "C8:00:00:00:00:03"
OTHER = "00:11:22:00:00:09"
MY_STRAP = Wanted("Invented strap", STRAP)
MY_BELT = Wanted("Invented treadmill", BELT)
MY_POD = Wanted("Invented foot pod", POD)
QUICK = LinkTiming(doubt_s=0.5, silent_s=1.0, look_every_s=0.2, listen_s=0.3, stretch_s=0.8, hint_s=0.5,
               retry_s=(0.1, 0.2))


def together(*companions, timing=QUICK, **how) -> WithSpeed:
    """A strap with treadmill and pod as `kind, wanted` pairs."""
    airtime, options = Airtime(), LinkOptions(timing=timing, **how)
    return WithSpeed(
        StrapSource(MY_STRAP, airtime=airtime),
        [SpeedSource(kind, wanted, airtime, options) for kind, wanted in companions])


def all_three(bluez, **belt) -> WithSpeed:
    bluez.add_strap(STRAP, bpm=131)
    bluez.add_treadmill(BELT, address_type="public", **belt)
    bluez.add_foot_pod(POD, speed_km_h=8.4, cadence=81)
    return together((TREADMILL_PERIPHERAL, MY_BELT), (FOOT_POD_PERIPHERAL, MY_POD))


def is_speed(source: str, km_h: float | None = None):
    return lambda event: isinstance(event, Speed) and event.source == source and (
        km_h is None or (event.speed_m_s is not None and abs(event.speed_m_s * 3.6 - km_h) < 0.02))


def is_link(device: str, state: LinkState):
    return lambda event: isinstance(event, SpeedLink) and (event.device, event.state) == (device, state)


async def test_strap_treadmill_and_pod_are_read_side_by_side(bluez):
    async with running(all_three(bluez, speed_km_h=8.0, incline_percent=1.5)) as ran:
        await ran.reading()
        belt = await ran.until(is_speed("treadmill"))
        pod = await ran.until(is_speed("foot_pod"))
        charged = await ran.until(
            lambda event: isinstance(event, SpeedLink) and event.battery_percent is not None)
        await ran.until(lambda event: isinstance(event, Battery))
        mark = len(ran.events)
        await ran.reading(after=mark)
    assert (belt.speed_m_s, belt.grade, belt.cadence_spm) == (2.2222, 0.015, None)
    assert (pod.speed_m_s, pod.cadence_spm) == (pytest.approx(8.4 / 3.6, abs=0.002), 162), "one foot's 81"
    assert (charged.device, charged.battery_percent) == ("foot_pod", 80)
    assert len([event for event in ran.events if isinstance(event, Battery)]) == 1, "the strap's own"
    assert belt.t_s == round(belt.t_s, 3)
    first = next(event for event in ran.events if isinstance(event, SpeedLink))
    assert (first.name, first.detail) in (("Invented treadmill", ""), ("Invented foot pod", ""))


async def test_nothing_is_ever_written_and_only_notifications_are_asked_for(bluez):
    """Above all not the treadmill's control point (0x2AD9)."""
    async with running(all_three(bluez)) as ran:
        await ran.until(is_speed("treadmill"))
        await ran.until(is_speed("foot_pod"))
        await asyncio.sleep(0.3)
        devices = bluez.look()["straps"]
    assert [devices[one]["written"] for one in (STRAP, BELT, POD)] == [[], [], []]
    assert devices[BELT]["subscribed"] == ["char000b"], "the measurement, no more"
    assert set(devices[POD]["subscribed"]) == {"char000b", "char0015"}, "and the pod's battery"


def test_no_code_writes_a_characteristic_or_asks_for_indications():
    root = Path(guard.__file__).parent
    for path in root.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert "write_gatt" not in text and "WriteValue" not in text and "2ad9" not in text.lower(), path


async def test_a_split_record_gives_speed_and_grade(bluez):
    async with running(all_three(bluez, split=True, speed_km_h=9.0, incline_percent=-2.0)) as ran:
        await ran.reading()
        await ran.until(is_speed("treadmill", 9.0))
    speeds = Speeds()
    for event in ran.events:
        if isinstance(event, Speed):
            speeds.take(event)
    known = speeds.known(ran.events[-1].t_s)
    assert (known.speed_m_s, known.grade) == (2.5, -0.02)


async def test_a_treadmill_that_vanishes_disturbs_nothing_and_comes_back(bluez):
    source = all_three(bluez)
    async with running(source) as ran:
        await ran.until(is_speed("treadmill"))
        mark = len(ran.events)
        bluez.drop(BELT, advertising=False)
        lost = await ran.until(is_link("treadmill", LinkState.LOST), after=mark)
        await asyncio.sleep(2.0)
        readings = [event for event in ran.events[mark:] if isinstance(event, Reading)]
        gaps = [later.t_s - earlier.t_s for earlier, later in pairwise(readings)]
        bluez.change(BELT, advertising=True)
        back = len(ran.events)
        await ran.until(is_link("treadmill", LinkState.CONNECTED), after=back)
        await ran.until(is_speed("treadmill"), after=back)
        assert bluez.look()["straps"][STRAP]["connects"] == 1
    assert lost.detail == "the link to the treadmill broke"
    assert len(readings) >= 10 and max(gaps) < 0.5, "the strap, ten packets a second, never paused"
    losses = [event for event in ran.events if is_link("treadmill", LinkState.LOST)(event)]
    assert len(losses) == 1, "said once, however often it was looked for"
    assert [link.state for link in ran.links][-1] is LinkState.CONNECTED


async def test_a_short_dropout_is_mended_without_a_scan(bluez, monkeypatch):
    scans = []
    from guard.radio.search import DeviceSearch

    glance = DeviceSearch.glance

    async def counted(self):
        scans.append(self)
        return await glance(self)

    async with running(all_three(bluez)) as ran:
        await ran.until(is_speed("treadmill"))
        await ran.until(is_speed("foot_pod"))
        monkeypatch.setattr(DeviceSearch, "glance", counted)
        mark = len(ran.events)
        bluez.drop(BELT)
        await ran.until(is_speed("treadmill"), after=mark + 3)
        await ran.until(is_link("treadmill", LinkState.CONNECTED), after=mark)
    assert not scans


async def test_the_strap_gets_the_radio_at_once_when_it_is_lost(bluez):
    """With the real limits: a treadmill is being searched for when the strap drops."""
    bluez.add_strap(STRAP, bpm=131)
    source = together((TREADMILL_PERIPHERAL, MY_BELT), timing=SPEED_TIMING)
    async with running(source) as ran:
        await ran.reading()
        await asyncio.sleep(1.0)
        assert bluez.look()["discovering"], "for the treadmill"
        mark, lost_s = len(ran.events), ran.clock.now_s()
        bluez.drop(STRAP)
        again = await ran.reading(10.0, after=mark)
    assert again.t_s - lost_s < 10.0


async def test_a_belt_that_sends_on_change_only_is_known_while_it_is_connected(bluez):
    source = all_three(bluez, on_change=True, speed_km_h=8.0)
    async with running(source) as ran:
        await ran.until(is_speed("treadmill"))
        await asyncio.sleep(2.5 * QUICK.silent_s)
        told = [event for event in ran.events if is_speed("treadmill")(event)]
        assert bluez.look()["straps"][BELT]["connects"] == 1
        mark = len(ran.events)
        bluez.change(BELT, speed_km_h=8.5)
        await ran.until(is_speed("treadmill", 8.5), after=mark)
        bluez.drop(BELT, advertising=False)
        await ran.until(is_link("treadmill", LinkState.LOST), after=mark)
        after = len(ran.events)
        await asyncio.sleep(1.0)
    gaps = [later.t_s - earlier.t_s for earlier, later in pairwise(told)]
    assert len(told) >= 3 and max(gaps) < OLD_S / 2
    assert not [event for event in ran.events[after:] if is_speed("treadmill")(event)], "gone is gone"


async def test_a_belt_that_sends_all_the_time_is_connected_anew_when_it_falls_silent(bluez):
    source = all_three(bluez)
    async with running(source) as ran:
        await ran.until(is_speed("treadmill"))
        await asyncio.sleep(0.5)
        mark = len(ran.events)
        bluez.change(BELT, silent=True)
        lost = await ran.until(is_link("treadmill", LinkState.LOST), after=mark)
        bluez.change(BELT, silent=False)
        await ran.until(is_speed("treadmill"), after=len(ran.events))
        assert bluez.look()["straps"][STRAP]["connects"] == 1
    assert lost.detail.startswith("connected, but no readings for 1 s: switch it on")


async def test_malformed_packets_of_a_belt_are_said_and_never_read(bluez):
    source = all_three(bluez, packets=["", "00 00 20", "00 00 ff ff"])
    async with running(source) as ran:
        await ran.until(is_speed("treadmill"))
        await asyncio.sleep(0.2)
    details = [event.detail for event in ran.events
               if isinstance(event, SpeedLink) and event.device == "treadmill" and event.detail]
    assert details[:2] == ["a packet of 0 bytes could not be read (empty packet)",
                           "a packet of 3 bytes could not be read (cut short: speed is missing, "
                           "only 3 of 4 bytes came)"]
    assert {event.speed_m_s for event in ran.events if is_speed("treadmill")(event)} == {2.2222}


async def test_a_neighbours_treadmill_is_never_taken(bluez):
    bluez.add_strap(STRAP)
    bluez.add_treadmill(OTHER, "Invented treadmill", address_type="public")
    async with running(together((TREADMILL_PERIPHERAL, MY_BELT))) as ran:
        await ran.reading()
        missing = await ran.until(lambda event: isinstance(event, SpeedLink))
        await asyncio.sleep(1.5)
        assert bluez.look()["straps"][OTHER]["connects"] == 0
    assert (missing.state, missing.detail) == (LinkState.SEARCHING, "not in range")


async def test_a_killed_service_costs_nobody_the_session(bluez):
    source = all_three(bluez)
    async with running(source) as ran:
        await ran.until(is_speed("treadmill"))
        await ran.until(is_speed("foot_pod"))
        bluez.kill_service()
        mark = len(ran.events)
        await ran.link(LinkState.UNAVAILABLE, after=mark)
        bluez.start_service()
        mark = len(ran.events)
        await ran.reading(15.0, after=mark)
        await ran.until(is_speed("treadmill"), 15.0, after=mark)
        await ran.until(is_speed("foot_pod"), 15.0, after=mark)


async def test_a_fault_in_a_companion_is_its_own_affair(bluez, monkeypatch):
    async def broken(self):
        raise ZeroDivisionError

    source = all_three(bluez)
    monkeypatch.setattr(SpeedSource, "_reach", broken)
    async with running(source) as ran:
        await ran.reading()
        said = await ran.until(is_link("treadmill", LinkState.LOST))
        await ran.reading(after=len(ran.events))
    assert said.detail == "a fault of the guard (ZeroDivisionError)"


async def test_ending_lets_go_of_all_devices(bluez):
    async with running(all_three(bluez)) as ran:
        await ran.until(is_speed("treadmill"))
        await ran.until(is_speed("foot_pod"))
    state = bluez.look()
    assert not any(one["connected"] for one in state["straps"].values())
    assert not state["discovering"]
    assert not [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]


async def test_one_of_several_is_chosen_before_the_session_and_remembered(bluez):
    bluez.add_strap(STRAP)
    bluez.add_treadmill(BELT, "Treadmill by the door", address_type="public")
    bluez.add_treadmill(OTHER, "Treadmill by the window", address_type="public")
    kept, offered, told = [], [], []

    async def choose(seen):
        offered.extend(sorted(one.label for one in seen))
        return next(one for one in seen if one.address == OTHER)

    source = together((TREADMILL_PERIPHERAL, None), choose=choose, remember=kept.append, wait_s=10.0)
    await source.prepare(told.append)
    async with running(source) as ran:
        await ran.until(is_speed("treadmill"))
        await asyncio.sleep(0.2)
        assert bluez.look()["straps"][BELT]["connects"] == 0
    assert offered == [f"Treadmill by the door ({BELT})", f"Treadmill by the window ({OTHER})"]
    assert kept == [RememberedDevice("Treadmill by the window", OTHER)]
    assert source.about["speed"][0]["address"] == OTHER
    assert "looking for the treadmill" in told


async def test_nobody_to_ask_means_none_is_taken_and_the_session_goes_on(bluez):
    bluez.add_strap(STRAP)
    bluez.add_treadmill(BELT, "Treadmill one", address_type="public")
    bluez.add_treadmill(OTHER, "Treadmill two", address_type="public")
    told = []
    source = together((TREADMILL_PERIPHERAL, None), wait_s=3.0)
    await source.prepare(told.append)
    async with running(source) as ran:
        await ran.reading()
        assert [bluez.look()["straps"][one]["connects"] for one in (BELT, OTHER)] == [0, 0]
    assert told[-1].startswith("without a treadmill: 2 treadmills are in range and none is surely yours")
    assert "speed" not in source.about


async def test_a_survey_tells_the_kinds_apart(bluez):
    bluez.add_strap(STRAP)
    bluez.add_treadmill(BELT, "\x1b[31mTreadmill")
    bluez.add_treadmill(OTHER, "Invented bicycle", machine=0x0020)  # bit 5: indoor bike
    bluez.add_foot_pod(POD)
    found = await survey(0.6, STRAP_PERIPHERAL, *SPEED_PERIPHERALS)
    assert sorted((one.kind, one.seen.name) for one in found) == [
        ("foot_pod", "Invented foot pod"), ("strap", "Invented strap"), ("treadmill", "[31mTreadmill")]


async def test_airtime_goes_to_the_strap_first():
    airtime, log = Airtime(), []

    async def work(name):
        log.append(f"{name} begins")
        try:
            await asyncio.sleep(0.2)
        except asyncio.CancelledError:
            log.append(f"{name} gives way")
            raise
        log.append(f"{name} is done")
        return name

    lent = asyncio.create_task(airtime.lend(work("first")))
    await asyncio.sleep(0.05)
    assert log == [], "it begins as the strap's"
    airtime.release()
    await asyncio.sleep(0.05)
    other = asyncio.create_task(airtime.lend(work("other")))
    await airtime.claim(1.0)
    assert (await lent, log) == (None, ["first begins", "first gives way"])
    await asyncio.sleep(0.3)
    assert log[2:] == []
    airtime.release()
    assert await other == "other"
    assert log[2:] == ["other begins", "other is done"]


async def test_airtime_is_given_back_after_an_error_and_when_cancelled():
    airtime = Airtime()
    airtime.release()

    async def fails():
        raise ValueError("made for this test")

    with pytest.raises(ValueError, match="made for this test"):
        await airtime.lend(fails())
    lent = asyncio.create_task(airtime.lend(asyncio.sleep(10.0)))
    await asyncio.sleep(0.01)
    lent.cancel()
    with pytest.raises(asyncio.CancelledError):
        await lent
    assert await airtime.lend(asyncio.sleep(0.0, "done")) == "done"


def test_limits_of_a_companion_are_its_own():
    assert SPEED_TIMING.silent_s > OLD_S, "a pod at a traffic light is not connected anew"
    assert SPEED_TIMING.stretch_s / (SPEED_TIMING.stretch_s + SPEED_TIMING.retry_s[-1]) < 0.15, "of the air"
    assert replace(SPEED_TIMING, retry_s=()) != SPEED_TIMING
