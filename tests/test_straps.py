"""Remembered straps, `guard straps` as its user runs it, and the radio's survey."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import stat
import subprocess
import sys

import pytest

from guard.devices import remembered as straps
from guard.devices.seen import RememberedDevice, Wanted
from guard.errors import HardwareError
from guard.radio import adapter as radio_module
from guard.radio import faults, survey
from guard.radio.adapter import look
from tests.support.documents import check_listed
from tests.support.radio import bluez, radio_room

__all__ = ["bluez", "radio_room"]

needs_bus = pytest.mark.skipif(
    sys.platform != "linux" or not shutil.which("dbus-daemon"), reason="needs Linux and dbus-daemon")

MINE = "C8:00:00:00:00:01"
OTHER = "C8:00:00:00:00:02"


@pytest.fixture
def home(monkeypatch, tmp_path):
    monkeypatch.setenv("GUARD_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


# The file.


def test_a_strap_is_remembered_and_forgotten(home):
    assert straps.remembered() is None
    assert straps.forget() is False
    path = straps.remember(RememberedDevice("Gürtel \N{RUNNER}", MINE))
    assert path == home / "config" / "strap.json"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert straps.remembered() == RememberedDevice("Gürtel \N{RUNNER}", MINE)
    straps.remember(RememberedDevice("Another", OTHER))
    assert straps.remembered() == RememberedDevice("Another", OTHER)
    assert [one.name for one in path.parent.iterdir()] == ["strap.json"]
    assert straps.forget() is True
    assert straps.remembered() is None


@pytest.mark.parametrize(
    "content",
    [b"", b"{", b"[]", b"null", b"\xff\xfe", b'{"format": 1}', b'{"format": 2, "name": "a", "address": "b"}',
     b'{"format": 1, "name": 7, "address": "b"}', b'{"format": 1, "name": "", "address": "\x1b"}',
     b"[" * 9000, b'{"format": 1, "name": "' + b"x" * 20_000 + b'", "address": ""}'],
)
def test_a_file_that_is_no_good_is_said_and_ignored(home, content):
    path = straps.strap_file(make=True)
    path.write_bytes(content)
    said = []
    assert straps.remembered(said.append) is None
    assert len(said) == 1
    assert str(path) in said[0]
    assert "`guard straps --remember ADDRESS`" in said[0]


def test_a_hostile_name_in_the_file_is_made_plain(home):
    straps.strap_file(make=True).write_text(
        json.dumps({"format": 1, "name": "a\x1b[2Jb\n", "address": MINE, "later": "field"}))
    assert straps.remembered() == RememberedDevice("a[2Jb", MINE)


def test_a_folder_that_cannot_be_written_says_so_and_leaves_nothing(home, monkeypatch):
    path = straps.remember(RememberedDevice("Before", MINE))

    def full(_handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(HardwareError, match="No space left on device"):
        straps.remember(RememberedDevice("After", OTHER))
    assert straps.remembered() == RememberedDevice("Before", MINE)
    assert [one.name for one in path.parent.iterdir()] == ["strap.json"]


# The command.


def guard(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "guard", "straps", *words], text=True, timeout=30,
                          capture_output=True, env=os.environ.copy(), check=False)


@needs_bus
def test_listing_remembering_and_forgetting_as_a_user(home, bluez):
    bluez.add_strap(MINE, "Strap \x1b[31mone[bold]", battery=64)
    bluez.add_strap(OTHER, "")
    listed = guard("--seconds", "1")
    assert listed.returncode == 0
    assert f"Strap [31mone[bold]  {MINE}, -60 dBm\n" in listed.stdout
    assert f"nameless strap  {OTHER}, -60 dBm\n" in listed.stdout
    assert "None is remembered" in listed.stdout
    assert "\x1b" not in listed.stdout
    assert [one["connects"] for one in bluez.look()["straps"].values()] == [0, 0]

    remembered = guard("--seconds", "1", "--remember", MINE.lower())
    assert remembered.returncode == 0
    assert f"{MINE}, -60 dBm, battery 64 %, remembered\n" in remembered.stdout
    assert bluez.look()["straps"][OTHER]["connects"] == 0
    assert not bluez.look()["straps"][MINE]["connected"]

    report = json.loads(guard("--seconds", "1", "--json").stdout)
    assert report["format"] == 1
    check_listed("guard/commands/README.md", "straps", report)
    assert report["remembered"] == {"name": "Strap [31mone[bold]", "address": MINE}
    mine = next(one for one in report["straps"] if one["address"] == MINE)
    assert mine == {"name": "Strap [31mone[bold]", "address": MINE, "rssi_dbm": -60, "connected": False,
                    "battery_percent": 64, "remembered": True}

    bluez.unplug()
    forgotten = guard("--forget")
    assert (forgotten.returncode, forgotten.stdout) == (0, f"Forgotten: Strap [31mone[bold]  {MINE}\n")


@needs_bus
def test_a_strap_in_use_on_this_machine_is_listed_and_left_alone(home, bluez):
    bluez.add_strap(MINE, connected=True)
    straps.remember(RememberedDevice("Invented strap", MINE))
    listed = guard("--seconds", "1")
    assert f"Invented strap  {MINE}, connected to this machine, remembered\n" in listed.stdout
    assert bluez.look()["straps"][MINE]["connected"]


@needs_bus
def test_what_cannot_be_remembered_is_refused_with_the_fix(home, bluez):
    bluez.add_strap(MINE, "Twin")
    bluez.add_strap(OTHER, "Twin")
    absent = guard("--seconds", "1", "--remember", "Nobody")
    assert absent.returncode == 4
    assert "Nobody is not in range, so nothing was remembered" in absent.stderr
    twice = guard("--seconds", "1", "--remember", "twin")
    assert twice.returncode == 2
    assert f"2 straps are called that: Twin ({MINE}), Twin ({OTHER}); give the address" in twice.stderr
    assert straps.remembered() is None
    assert guard("--seconds", "0").returncode == 2
    assert guard("--remember", " ").returncode == 2


@needs_bus
def test_no_strap_and_no_radio(home, bluez):
    straps.remember(RememberedDevice("Invented strap", MINE))
    empty = guard("--seconds", "1")
    assert empty.returncode == 0
    assert "No heart-rate strap in range: wet the electrodes" in empty.stdout
    assert f"Remembered: Invented strap  {MINE}, not in range." in empty.stdout
    bluez.power(False)
    off = guard("--seconds", "1")
    assert off.returncode == 4
    assert off.stderr.splitlines()[-1] == "guard: the Bluetooth adapter is off: `bluetoothctl power on`"
    assert "Traceback" not in off.stderr


BELT, POD = "00:11:22:00:00:02", "C8:00:00:00:00:03"


def test_each_kind_has_its_own_file(home):
    straps.remember(RememberedDevice("Belt", BELT), "treadmill")
    straps.remember(RememberedDevice("Pod", POD), "foot_pod")
    assert straps.remembered() is None
    assert straps.remembered(kind="treadmill") == RememberedDevice("Belt", BELT)
    assert straps.remembered(kind="foot_pod") == RememberedDevice("Pod", POD)
    straps.strap_file(kind="treadmill").write_text("nonsense")
    said = []
    assert straps.remembered(said.append, "treadmill") is None
    assert "not a treadmill file" in said[0] and "remember your treadmill again" in said[0]
    assert straps.forget("foot_pod") is True
    assert straps.remembered(kind="foot_pod") is None


@needs_bus
def test_treadmills_and_pods_have_their_own_sections(home, bluez):
    bluez.add_treadmill(BELT, "Belt \x1b[2Jin the cellar")
    bluez.add_treadmill("00:11:22:00:00:08", "Invented bicycle", machine=0x0020)  # not a treadmill
    bluez.add_foot_pod(POD, battery=35)
    listed = guard("--seconds", "1").stdout
    assert "No heart-rate strap in range: wet the electrodes" in listed
    assert f"\nTreadmills, read for speed only\nBelt [2Jin the cellar  {BELT}, -60 dBm\n" in listed
    assert f"\nFoot pods, read for speed only\nInvented foot pod  {POD}, -60 dBm\n" in listed
    assert "None is remembered: `guard straps --remember ADDRESS` has `guard run` read its speed." in listed
    assert "bicycle" not in listed and "\x1b" not in listed

    assert guard("--seconds", "1", "--remember", BELT).returncode == 0
    remembered = guard("--seconds", "1", "--remember", "invented foot pod").stdout
    assert f"Invented foot pod  {POD}, -60 dBm, battery 35 %, remembered\n" in remembered
    assert f"Belt [2Jin the cellar  {BELT}, -60 dBm, remembered\n" in remembered
    assert straps.remembered() is None

    report = json.loads(guard("--seconds", "1", "--json").stdout)
    assert report["straps"] == [] and report["remembered"] is None
    assert report["remembered_treadmill"] == {"name": "Belt [2Jin the cellar", "address": BELT}
    assert [one["remembered"] for one in report["treadmills"]] == [True]
    [pod] = report["foot_pods"]
    assert (pod["battery_percent"], pod["remembered"]) == (35, True)
    assert not any(one["written"] for one in bluez.look()["straps"].values())

    bluez.remove_strap(BELT)
    away = guard("--seconds", "1").stdout
    assert f"Remembered: Belt [2Jin the cellar  {BELT}, not in range." in away


def test_forgetting_by_kind(home):
    straps.remember(RememberedDevice("Mine", MINE))
    straps.remember(RememberedDevice("Belt", BELT), "treadmill")
    assert guard("--forget", "treadmill").stdout == f"Forgotten: Belt  {BELT}\n"
    assert straps.remembered() == RememberedDevice("Mine", MINE)
    assert guard("--forget", "foot-pod").stdout == "No foot pod was remembered.\n"
    straps.remember(RememberedDevice("Belt", BELT), "treadmill")
    document = json.loads(guard("--forget", "all", "--json").stdout)
    check_listed("guard/commands/README.md", "straps --forget", document)
    both = document["forgotten"]
    assert both == [{"name": "Mine", "address": MINE}, {"name": "Belt", "address": BELT}]
    assert guard("--forget", "all").stdout == "Nothing was remembered.\n"
    assert guard("--forget", "bicycle").returncode == 2


# The survey.


def failing(checks):
    return [(check.name, check.detail, check.fix) for check in checks if not check.ok]


@needs_bus
def test_a_ready_radio_passes_every_check(bluez):
    checks = asyncio.run(survey.radio_checks())
    assert [check.name for check in checks] == [
        "system bus", "Bluetooth service", "Bluetooth adapter", "Bluetooth power"]
    assert failing(checks) == []


@needs_bus
def test_each_trouble_fails_its_own_check_with_a_fix(bluez, monkeypatch, tmp_path):
    bluez.power(False)
    assert failing(asyncio.run(survey.radio_checks())) == [
        ("Bluetooth power", "the Bluetooth adapter is off", "`bluetoothctl power on`")]
    bluez.unplug()
    [(name, _, fix)] = failing(asyncio.run(survey.radio_checks()))
    assert (name, fix[:11]) == ("Bluetooth adapter", "plug one in")
    bluez.kill_service()
    [(name, _, fix)] = failing(asyncio.run(survey.radio_checks()))
    assert name == "Bluetooth service"
    assert "systemctl start bluetooth" in fix
    monkeypatch.setitem(os.environ, "DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/nobody")
    [(name, detail, _)] = failing(asyncio.run(survey.radio_checks()))
    assert name == "system bus"
    assert "D-Bus" in detail


@needs_bus
def test_the_strap_is_checked_with_its_battery(bluez):
    bluez.add_strap(MINE, battery=9)
    checks = asyncio.run(survey.strap_checks(Wanted("Invented strap", MINE), 0.5))
    assert checks[0] == survey.Check("strap", True, f"Invented strap ({MINE}), -60 dBm")
    assert failing(checks) == [("strap battery", "9 %", "change the strap's battery")]
    assert failing(asyncio.run(survey.strap_checks(None, 0.5, battery_low_percent=5))) == []


@needs_bus
def test_a_strap_that_is_missing_or_not_alone_fails_the_check(bluez):
    [(_, detail, fix)] = failing(asyncio.run(survey.strap_checks(None, 0.3)))
    assert detail == "none found in 0.3 s"
    assert fix == faults.ELSEWHERE
    bluez.add_strap(OTHER, "Other")
    [(_, detail, fix)] = failing(asyncio.run(survey.strap_checks(Wanted("Invented strap", MINE), 0.5)))
    assert detail == f"Invented strap not found in 0.5 s; in range: Other ({OTHER})"
    assert "--remember" in fix
    bluez.add_strap(MINE)
    [(_, detail, _)] = failing(asyncio.run(survey.strap_checks(None, 0.5)))
    assert detail.startswith("several in range: ")


@pytest.mark.parametrize(
    ("soft", "hard", "fix"),
    [("0", "0", faults.ADAPTER_OFF), ("1", "0", faults.ADAPTER_BLOCKED), ("1", "1", faults.ADAPTER_SWITCH)])
@needs_bus
async def test_the_kernels_radio_switch_is_named(bluez, monkeypatch, tmp_path, soft, hard, fix):
    # Attribute names as in the kernel's sysfs-class-rfkill documentation.
    switch = tmp_path / "rfkill0"
    switch.mkdir()
    for name, value in (("type", "bluetooth"), ("soft", soft), ("hard", hard)):
        (switch / name).write_text(value + "\n")
    monkeypatch.setattr(radio_module, "_RFKILL", tmp_path)
    bluez.power(False)
    assert (await look()).problem == fix


@needs_bus
async def test_looking_leaves_nothing_open(bluez):
    before = len(os.listdir("/proc/self/fd"))  # noqa: PTH208
    for _ in range(5):
        assert not (await look()).problem
    await asyncio.sleep(0.05)
    assert len(os.listdir("/proc/self/fd")) <= before  # noqa: PTH208


# The sentences.


def test_every_known_trouble_has_its_fix():
    from bleak.exc import (
        BleakBluetoothNotAvailableError,
        BleakBluetoothNotAvailableReason,
        BleakDBusError,
        BleakError,
    )

    for reason in BleakBluetoothNotAvailableReason:
        said = str(faults.explain(BleakBluetoothNotAvailableError("\x1bbad", reason)))
        assert "\x1b" not in said
        assert said.startswith(("no ", "the ", "Bluetooth "))
    assert faults.explain(BleakDBusError("org.bluez.Error.NotReady", ["x"])) == faults.ADAPTER_OFF
    denied = BleakDBusError("org.freedesktop.DBus.Error.AccessDenied", [])
    assert faults.explain(denied) == faults.NO_PERMISSION
    assert str(faults.explain(TimeoutError())).startswith("no answer in time: ")
    assert str(faults.explain(BleakError("odd\n\x07 thing"))) == "Bluetooth failed (odd thing)"
    assert str(faults.explain(KeyError())) == "Bluetooth failed (KeyError)"
