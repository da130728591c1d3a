"""Kilometres or miles: one setting, kept to wherever a speed or distance is shown."""

from __future__ import annotations

import re

import pytest

from guard import units
from tests.support.keep import guard_here
from tests.support.recordings import FOLDER

KILOMETRES = re.compile(r"\bkm\b|km/h|min/km")


def test_a_mile_an_hour_is_0_44704_m_s():
    """Exact, from the international mile: NIST Special Publication 811 (2008), appendix B.8."""
    assert units.speed(0.44704, "mile") == "1.0 mph" and 1 / units.per_m_s("mile") == pytest.approx(0.44704)
    assert units.speed(2.5, "km", 2) == "9.00 km/h" and units.distance(5000, "mile") == "3.11 mi"


def test_who_set_miles_sees_no_kilometre(tmp_path):
    """Logs of sessions in kilometres too: the unit is the reader's."""
    assert guard_here("settings", "units=mile", home=tmp_path).returncode == 0
    shown = []
    for name in ("speed-to-set", "garage-treadmill"):
        log, page = FOLDER / f"{name}.jsonl", tmp_path / f"{name}.html"
        shown.append(guard_here("review", log, home=tmp_path).stdout)
        assert "under other settings" not in shown[-1]
        assert guard_here("review", log, "--html", page, home=tmp_path).returncode == 0
        shown += [page.read_text(), guard_here("replay", log, home=tmp_path).stdout,
                  guard_here("replay", log, "--set", "spacing_s=30", home=tmp_path).stdout]
    assert not [found for text in shown if (found := KILOMETRES.search(text))]
    assert "mph" in shown[0] and " mi" in shown[0] and "mph" in shown[1]
