"""Heart-rate packets: hand-written vectors, an independent codec, hostile bytes.

Vectors follow the field layout of the Bluetooth SIG Heart Rate Service 1.0 and
GATT Specification Supplement; the independent codec is the `bumble` library's.
"""

import doctest
import random

import pytest
from bumble.profiles.heart_rate_service import HeartRateService
from hypothesis import given
from hypothesis import strategies as st

from guard.packets import heart_rate as packet
from guard.packets.heart_rate import Malformed, Measurement, encode, parse

Independent = HeartRateService.HeartRateMeasurement


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        ("06 96", Measurement(150, contact=True)),
        ("04 96", Measurement(150, contact=False)),
        ("00 96", Measurement(150)),
        ("02 48", Measurement(72)),  # "detected" without "supported" says nothing
        ("08 96 34 12", Measurement(150, energy_kj=0x1234)),
        ("10 4b 33 03", Measurement(75, rr_s=(819 / 1024,))),
        ("1f 2c 01 ff ff 00 02 00 04 00 06", Measurement(300, True, 65535, (0.5, 1.0, 1.5))),
        ("01 48 00", Measurement(72)),
        ("00 00", Measurement(0)),
        ("10 48", Measurement(72)),
        ("10 3e b1 03 de", Measurement(62, rr_s=(945 / 1024,), note="1 byte left over")),
        ("00 48 01 02", Measurement(72, note="2 bytes left over")),
        ("e0 48", Measurement(72)),  # reserved flags are for the future
    ],
)
def test_vectors(raw, said):
    assert parse(bytes.fromhex(raw)) == said


@pytest.mark.parametrize(
    ("raw", "reason"),
    [
        ("", "empty packet"),
        ("00", "cut short: heart rate is missing, only 1 of 2 bytes came"),
        ("01 48", "cut short: heart rate is missing, only 2 of 3 bytes came"),
        ("08 48", "cut short: energy is missing, only 2 of 4 bytes came"),
        ("09 48 00 01", "cut short: energy is missing, only 4 of 5 bytes came"),
    ],
)
def test_what_cannot_be_read_says_why(raw, reason):
    said = parse(bytes.fromhex(raw))
    assert isinstance(said, Malformed) and said.reason == reason


def test_agrees_with_an_independent_codec_both_ways():
    # bumble writes a wide rate only from 256 bpm and cuts RR to the unit below,
    # so intervals are whole units here and `wide` is left to the vectors.
    chance = random.Random(20260302)
    for _ in range(12_000):
        bpm = chance.choice((chance.randrange(0, 256), chance.randrange(0, 0x10000)))
        contact = chance.choice((None, False, True))
        energy_kj = chance.choice((None, chance.randrange(0, 0x10000)))
        rr_s = tuple(chance.randrange(0, 0x10000) / 1024 for _ in range(chance.randrange(0, 9)))
        raw = bytes(Independent(bpm, contact, energy_kj, rr_s or None))
        assert parse(raw) == Measurement(bpm, contact, energy_kj, rr_s)
        assert encode(bpm, contact=contact, energy_kj=energy_kj, rr_s=rr_s) == raw
        back = Independent.from_bytes(raw)
        assert (back.heart_rate, back.sensor_contact_detected) == (bpm, contact)
        assert back.energy_expended == energy_kj
        assert tuple(back.rr_intervals or ()) == rr_s


@pytest.mark.parametrize("count", [50_000, pytest.param(1_000_000, marks=pytest.mark.slow)])
def test_random_bytes_never_raise(count):
    chance = random.Random(7)
    kinds = set()
    for _ in range(count):
        kinds.add(type(parse(chance.randbytes(chance.randrange(0, 24)))))
    assert kinds == {Measurement, Malformed}


@given(st.binary(max_size=520))
def test_what_is_read_can_be_written_and_read_again(raw):
    said = parse(raw)
    if isinstance(said, Measurement):
        again = parse(encode(said.bpm, contact=said.contact, energy_kj=said.energy_kj, rr_s=said.rr_s))
        assert again == Measurement(said.bpm, said.contact, said.energy_kj, said.rr_s)


@pytest.mark.parametrize(
    "bad", [{"bpm": -1}, {"bpm": 70_000}, {"energy_kj": 70_000}, {"rr_s": [64.0]}, {"rr_s": [-1]}])
def test_values_that_do_not_fit_are_refused(bad):
    with pytest.raises(ValueError, match="does not fit"):
        encode(**{"bpm": 70, **bad})


def test_body_locations_are_those_of_the_standard():
    # Body Sensor Location, 0x2A38, against bumble's list.
    for value in HeartRateService.BodySensorLocation:
        assert packet.body_location(bytes([value])) == value.name.lower().replace("_", " ")
    assert packet.body_location(b"\x07") == ""
    assert packet.body_location(b"") == ""


def test_battery_level_is_a_percentage_or_nothing():
    assert packet.battery_percent(b"\x40") == 64
    assert packet.battery_percent(b"\x65") is None
    assert packet.battery_percent(b"") is None


def test_examples_in_the_docstrings():
    assert doctest.testmod(packet).failed == 0
