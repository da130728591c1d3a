"""Treadmill and foot-pod packets: hand-written vectors, the SIG's own tables, hostile bytes.

Vectors follow the field layouts of the Bluetooth SIG's Fitness Machine Service
1.0, Running Speed and Cadence Service 1.0 and the GATT Specification
Supplement. The independent codec is the `bluetooth-sig` library's, which is
made from the SIG's published field tables.
"""

from __future__ import annotations

import doctest
import random
import struct
from typing import Any

import pytest
from bluetooth_sig.gatt.characteristics.rsc_measurement import (
    RSCMeasurementCharacteristic,
    RSCMeasurementData,
    RSCMeasurementFlags,
)
from bluetooth_sig.gatt.characteristics.treadmill_data import (
    TreadmillData as IndependentTreadmill,
)
from bluetooth_sig.gatt.characteristics.treadmill_data import (
    TreadmillDataCharacteristic,
    TreadmillDataFlags,
)

from guard.devices.peripheral import FOOT_POD_PERIPHERAL, TREADMILL_PERIPHERAL
from guard.packets import foot_pod as foot_pod_packet
from guard.packets import treadmill as treadmill_packet
from guard.packets.foot_pod import FootPodData, steps_per_min
from guard.packets.heart_rate import Malformed
from guard.packets.treadmill import TreadmillData

ROUNDS = 2_000
belt_codec = TreadmillDataCharacteristic()
pod_codec = RSCMeasurementCharacteristic()


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        ("0000 2003", TreadmillData(8.0)),
        ("0000 0000", TreadmillData(0.0)),  # belt standing, or paused
        ("0200 2003 bc02", TreadmillData(8.0, 7.0)),
        ("0400 2003 01e240", TreadmillData(8.0, distance_m=0x40E201)),  # three bytes, low one first
        ("0800 2003 0f00 0900", TreadmillData(8.0, inclination_percent=1.5, ramp_angle_deg=0.9)),
        ("0800 2003 e2ff 0000", TreadmillData(8.0, inclination_percent=-3.0, ramp_angle_deg=0.0)),
        ("0800 2003 ff7f ff7f", TreadmillData(8.0)),  # the treadmill cannot tell
        ("0e00 2003 bc02 d20400 0f00 0000", TreadmillData(8.0, 7.0, 1234, 1.5, 0.0)),
        # All that may follow the angle: elevation, paces, energy, heart rate, MET, times, force, power.
        ("fe1f 2003 bc02 d20400 0f00 0000 0100 0000 e100 e100 0a00 5802 0a 78 50 3c00 0000 0000 0000",
         TreadmillData(8.0, 7.0, 1234, 1.5, 0.0)),
        ("2000 2003 78", TreadmillData(8.0)),  # a pace of one byte, as in the first edition
        # Split record: the parts before the last have bit 0 set and no speed.
        ("0900 0f00 0000", TreadmillData(inclination_percent=1.5, ramp_angle_deg=0.0, more=True)),
        ("0100", TreadmillData(more=True)),
        ("0500 d20400", TreadmillData(distance_m=1234, more=True)),
        ("00e0 2003", TreadmillData(8.0)),  # reserved flags are for the future
        ("0400 2003 d204", TreadmillData(8.0, note="cut short: distance is missing, only 6 of 7 bytes came")),
        ("0800 2003 0f00",
         TreadmillData(8.0, note="cut short: inclination is missing, only 6 of 8 bytes came")),
    ],
)
def test_treadmill_vectors(raw: str, said: TreadmillData) -> None:
    assert treadmill_packet.parse(bytes.fromhex(raw)) == said


@pytest.mark.parametrize(
    ("raw", "reason"),
    [
        ("", "empty packet"),
        ("00", "cut short: flags are missing, only 1 of 2 bytes came"),
        ("0000", "cut short: speed is missing, only 2 of 4 bytes came"),
        ("0000 20", "cut short: speed is missing, only 3 of 4 bytes came"),
    ],
)
def test_treadmill_packets_that_cannot_be_read_say_why(raw: str, reason: str) -> None:
    assert treadmill_packet.parse(bytes.fromhex(raw)) == Malformed(reason)


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        ("04 8002 a0", FootPodData(2.5, 160, running=True)),
        ("00 6601 68", FootPodData(358 / 256, 104)),
        ("00 0000 00", FootPodData(0.0, 0)),
        ("05 8002 a0 5e00", FootPodData(2.5, 160, True, stride_length_m=0.94)),
        ("06 8002 a0 10270000", FootPodData(2.5, 160, True, distance_m=1000.0)),
        ("07 8002 a0 5e00 10270000", FootPodData(2.5, 160, True, 0.94, 1000.0)),
        ("f8 8002 a0", FootPodData(2.5, 160)),
        ("05 8002 a0 5e", FootPodData(
            2.5, 160, True, note="cut short: stride length is missing, only 5 of 6 bytes came")),
        ("02 8002 a0 1027", FootPodData(
            2.5, 160, note="cut short: distance is missing, only 6 of 8 bytes came")),
    ],
)
def test_foot_pod_vectors(raw: str, said: FootPodData) -> None:
    assert foot_pod_packet.parse(bytes.fromhex(raw)) == said


@pytest.mark.parametrize("raw", ["", "04", "04 80", "04 8002"])
def test_foot_pod_packets_that_cannot_be_read_say_why(raw: str) -> None:
    said = foot_pod_packet.parse(bytes.fromhex(raw))
    assert isinstance(said, Malformed)
    assert said.reason in ("empty packet", "cut short: speed and cadence are missing, "
                           f"only {len(bytes.fromhex(raw))} of 4 bytes came")


def _some(chance: random.Random, make: Any) -> Any:
    return make() if chance.random() < 0.5 else None


def _independent_belt(chance: random.Random) -> IndependentTreadmill:
    """Any treadmill record the SIG's tables allow."""
    def u16(scale: float = 1.0) -> Any:
        return lambda: chance.randrange(0, 0x10000) / scale if scale > 1 else chance.randrange(0, 0x10000)

    def s16(scale: float) -> Any:
        return lambda: chance.randrange(-0x8000, 0x7FFF) / scale

    fields: dict[str, Any] = {
        "instantaneous_speed": _some(chance, u16(100)), "average_speed": _some(chance, u16(100)),
        "total_distance": _some(chance, lambda: chance.randrange(0, 1 << 24)),
        "instantaneous_pace": _some(chance, u16()),
        "heart_rate": _some(chance, lambda: chance.randrange(256)),
        "elapsed_time": _some(chance, u16())}
    if chance.random() < 0.5:
        fields |= {"inclination": s16(10)(), "ramp_angle_setting": s16(10)()}
    if chance.random() < 0.5:
        fields |= {"positive_elevation_gain": u16(10)(), "negative_elevation_gain": u16(10)()}
    return IndependentTreadmill(flags=TreadmillDataFlags(0), **fields)


def test_treadmill_records_of_an_independent_encoder_are_read_as_meant() -> None:
    chance = random.Random(20260305)
    for _ in range(ROUNDS):
        meant = _independent_belt(chance)
        raw = bytes(belt_codec.build_value(meant))
        said = treadmill_packet.parse(raw)
        assert said == TreadmillData(
            meant.instantaneous_speed, meant.average_speed, meant.total_distance, meant.inclination,
            meant.ramp_angle_setting, more=meant.instantaneous_speed is None), raw.hex()


def test_an_independent_decoder_reads_whole_treadmill_bytes_alike() -> None:
    """Bytes at random, long enough for their flags."""
    chance = random.Random(20260306)
    for _ in range(ROUNDS):
        raw = chance.randrange(0, 0x2000).to_bytes(2, "little") + chance.randbytes(40)
        theirs = belt_codec.parse_value(bytearray(raw))
        said = treadmill_packet.parse(raw)
        assert isinstance(said, TreadmillData) and not said.note

        def known(value: float | None) -> float | None:
            return None if value == 0x7FFF / 10 else value  # that library knows no "not available"

        assert (said.speed_km_h, said.average_speed_km_h, said.distance_m) == (
            theirs.instantaneous_speed, theirs.average_speed, theirs.total_distance)
        assert (said.inclination_percent, said.ramp_angle_deg) == (
            known(theirs.inclination), known(theirs.ramp_angle_setting))


def test_foot_pod_packets_agree_with_an_independent_codec_both_ways() -> None:
    chance = random.Random(20260307)
    for _ in range(ROUNDS):
        stride = _some(chance, lambda: chance.randrange(0, 0x10000) / 100)
        distance = _some(chance, lambda: chance.randrange(0, 1 << 32) / 10)
        running = chance.random() < 0.5
        flags = RSCMeasurementFlags((stride is not None) | (distance is not None) << 1 | running << 2)
        meant = RSCMeasurementData(
            instantaneous_speed=chance.randrange(0, 0x10000) / 256, flags=flags, is_running=running,
            instantaneous_cadence=chance.randrange(256), instantaneous_stride_length=stride,
            total_distance=distance)
        said = foot_pod_packet.parse(bytes(pod_codec.build_value(meant)))
        assert said == FootPodData(
            meant.instantaneous_speed, meant.instantaneous_cadence, running, stride, distance)
        raw = bytes([chance.randrange(8)]) + chance.randbytes(9)
        theirs, said = pod_codec.parse_value(bytearray(raw)), foot_pod_packet.parse(raw)
        assert said == FootPodData(
            theirs.instantaneous_speed, theirs.instantaneous_cadence, theirs.is_running,
            theirs.instantaneous_stride_length, theirs.total_distance)


@pytest.mark.parametrize("count", [100_000, pytest.param(1_000_000, marks=pytest.mark.slow)])
@pytest.mark.parametrize("parse", [treadmill_packet.parse, foot_pod_packet.parse])
def test_random_bytes_never_raise(parse: Any, count: int) -> None:
    chance = random.Random(8)
    kinds = set()
    for _ in range(count):
        kinds.add(type(parse(chance.randbytes(chance.randrange(0, 24)))))
    assert len(kinds) == 2 and Malformed in kinds


# What the guard makes of them.


def test_a_treadmill_packet_becomes_a_speed_in_metres_a_second() -> None:
    event = TREADMILL_PERIPHERAL.read(12.5, bytes.fromhex("0800 6804 1e00 0000"))
    assert (event.t_s, event.source, event.typed) == (12.5, "treadmill", False)
    assert event.speed_m_s == pytest.approx(11.28 / 3.6, abs=1e-4)
    assert (event.grade, event.cadence_spm) == (0.03, None)


def test_parts_of_a_split_record_tell_what_they_can() -> None:
    part = TREADMILL_PERIPHERAL.read(1.0, bytes.fromhex("0900 0f00 0000"))
    assert (part.speed_m_s, part.grade) == (None, 0.015)
    useless = TREADMILL_PERIPHERAL.read(1.0, bytes.fromhex("0500 d20400"))
    assert useless is None, "nothing of use, and no fault"


@pytest.mark.parametrize(("peripheral", "raw"), [
    (TREADMILL_PERIPHERAL, "0000 ffff"), (TREADMILL_PERIPHERAL, "0000 7d15"),
    (FOOT_POD_PERIPHERAL, "04 ffff a0"), (FOOT_POD_PERIPHERAL, "04 800f a0")])
def test_speeds_nobody_runs_are_refused(peripheral: Any, raw: str) -> None:
    said = peripheral.read(1.0, bytes.fromhex(raw))
    assert isinstance(said, str) and "cannot be" in said


def test_an_inclination_no_belt_has_is_left_out() -> None:
    event = TREADMILL_PERIPHERAL.read(1.0, b"\x08\x00" + struct.pack("<Hhh", 800, 3000, 0))
    assert (event.speed_m_s, event.grade) == (pytest.approx(2.2222, abs=1e-4), None)


@pytest.mark.parametrize(
    ("speed_m_s", "sent", "steps"),
    [
        (2.5, 160, 160), (2.5, 80, 160),  # both feet, one foot
        (1.4, 104, 104),  # walking: 104 is both feet
        (4.5, 92, 184), (4.5, 184, 184), (0.0, 0, None), (2.0, 150, 150),
    ],
)
def test_cadence_of_one_foot_is_told_from_that_of_both(
        speed_m_s: float, sent: int, steps: int | None) -> None:
    # Step rates of recreational runners, 150 to 185: common practice.
    assert steps_per_min(FootPodData(speed_m_s, sent)) == steps
    event = FOOT_POD_PERIPHERAL.read(3.0, bytes([0]) + struct.pack("<HB", round(speed_m_s * 256), sent))
    assert (event.source, event.cadence_spm) == ("foot_pod", steps)
    assert event.speed_m_s == pytest.approx(speed_m_s, abs=0.002)


def test_examples_in_the_docstrings() -> None:
    for module in (treadmill_packet, foot_pod_packet):
        assert doctest.testmod(module).failed == 0
