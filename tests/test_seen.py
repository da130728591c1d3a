"""Telling the runner's strap from a neighbour's, and the link's small judgements; all pure."""

import doctest

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.devices import peripheral, seen
from guard.devices.seen import Seen, Several, Taken, Wanted, pick, plain, typed
from guard.radio import watch
from guard.radio.watch import BackOff, LinkTiming, Silence, Twins

MINE = Seen("Strap A", "C8:00:00:00:00:01", -80, "random")
NEAR = Seen("Strap B", "C8:00:00:00:00:02", -40, "random")
ALIKE = Seen("Strap A", "5A:00:00:00:00:03", -40, "random")
KNOWN = Wanted("Strap A", "c8:00:00:00:00:01")


def test_the_address_decides_at_once_whatever_is_nearer():
    assert pick([NEAR, ALIKE, MINE], KNOWN, settled=False) == Taken(MINE)


def test_a_name_alone_waits_for_others_to_show_up():
    assert pick([ALIKE], KNOWN, settled=False) is None
    assert pick([ALIKE], KNOWN, settled=True) == Taken(ALIKE, "recognised by its name, under a new address")


def test_two_of_the_remembered_name_must_be_told_apart():
    twin = Seen("strap a", "5A:00:00:00:00:04", -60, "random")
    assert pick([ALIKE, twin, NEAR], KNOWN, settled=True) == Several((ALIKE, twin))


@pytest.mark.parametrize(
    ("address", "kind", "between_runs", "under_way"),
    [
        ("00:11:22:00:00:07", "public", False, False),  # assigned for life
        ("C8:00:00:00:00:07", "random", True, False),  # static: lasts from power-up to power-down
        ("5A:00:00:00:00:07", "random", True, True),  # private: changes as it likes
        ("00:11:22:00:00:07", "", True, True),  # the platform does not tell
    ],
)
def test_which_addresses_may_have_changed(address, kind, between_runs, under_way):
    # Address kinds after the Bluetooth Core Specification, Vol 6, Part B, 1.3.
    one = Seen("Strap A", address, -50, kind)
    wanted = Wanted("Strap A", "C8:00:00:00:00:01")
    assert isinstance(pick([one], wanted, settled=True), Taken) is between_runs
    wanted = Wanted("Strap A", "C8:00:00:00:00:01", in_session=True)
    assert isinstance(pick([one], wanted, settled=True), Taken) is under_way


def test_a_nameless_neighbour_is_nobody():
    assert pick([Seen("", "5A:00:00:00:00:05")], Wanted("", "C8:00:00:00:00:01"), settled=True) is None


def test_with_nothing_wanted_the_only_one_is_taken_and_two_are_not():
    assert pick([], None, settled=True) is None
    assert pick([MINE], None, settled=False) is None
    assert pick([MINE], None, settled=True) == Taken(MINE)
    assert pick([MINE, NEAR], None, settled=True) == Several((MINE, NEAR))


@given(st.lists(st.builds(Seen, st.sampled_from(["", "Strap A", "Strap B"]),
                          st.sampled_from([f"{top}8:00:00:00:00:0{n}" for top in "05C" for n in range(9)]),
                          st.none(), st.sampled_from(["", "random", "public"]))),
       st.booleans(), st.booleans())
def test_what_is_taken_is_always_of_that_name_or_address(others, settled, in_session):
    verdict = pick(others, Wanted("Strap A", "C8:00:00:00:00:01", in_session), settled=settled)
    taken = (verdict.seen,) if isinstance(verdict, Taken) else verdict.seen if verdict else ()
    for one in taken:
        assert one.name == "Strap A" or one.address == "C8:00:00:00:00:01"


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        (" c8:00:00:00:00:01 ", Wanted(address="C8:00:00:00:00:01")),
        ("12345678-1234-1234-1234-123456789abc", Wanted(address="12345678-1234-1234-1234-123456789ABC")),
        ("Strap A", Wanted(name="Strap A")),
        ("C8:00", Wanted(name="C8:00")),
    ],
)
def test_what_a_runner_types(text, wanted):
    assert typed(text) == wanted


@given(st.text(max_size=300))
def test_names_lose_all_that_could_steer_a_terminal(text):
    shown = plain(text)
    assert shown.isprintable() or not shown
    assert len(shown) <= 60
    assert plain(shown) == shown


def test_names_keep_what_is_text():
    assert plain("Gürtel [b]  \x1b[2Jno 1\u202e\u2028") == "Gürtel [b] [2Jno 1"


def test_back_off_grows_to_five_seconds_and_is_cleared_by_good_data():
    back_off = BackOff()
    assert [back_off.next_s() for _ in range(8)] == [0.25, 0.5, 1.0, 2.0, 4.0, 5.0, 5.0, 5.0]
    back_off.clear()
    assert back_off.next_s() == 0.25


def test_silence_is_looked_into_first_and_then_ended():
    silence = Silence(LinkTiming(), 100.0)
    assert silence.due_in_s(100.0) == 3.0
    assert not silence.look_due(102.9)
    assert silence.look_due(103.0)
    assert not silence.look_due(103.5)
    assert silence.look_due(104.0)
    assert not silence.over(109.9)
    assert silence.over(110.0)
    assert silence.due_in_s(110.0) == 0.0
    silence.packet(109.0)
    assert not silence.over(110.0)
    assert silence.due_in_s(110.0) == 2.0


def test_only_packets_with_rr_can_be_twins():
    twins = Twins(0.1)
    assert not twins.is_twin(b"a", 0.0, True)
    assert twins.is_twin(b"a", 0.05, True)
    assert not twins.is_twin(b"a", 0.2, True)
    assert not twins.is_twin(b"b", 0.21, True)
    assert not twins.is_twin(b"c", 0.22, False)
    assert not twins.is_twin(b"c", 0.23, False)


def test_examples_in_the_docstrings():
    for module in (seen, peripheral, watch):
        assert doctest.testmod(module).failed == 0
