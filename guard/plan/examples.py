"""Plans to start from, each a commented TOML file. Lengths are common practice."""

from __future__ import annotations

_KEYS = """\
# Each [[part]] has a kind (warm_up, easy, climb, fast, cool_down, test) and a
# length: minutes or seconds, or km or metres together with minutes or a pace
# (pace_min_per_km = "7:30") that stands in where no speed is known.
# It may have: name, ceiling_bpm, floor_bpm, ramp_bpm (the limit begins that far
# under the ceiling and rises to it), cues (all, walk_and_stop, stop_only) and
# grace_s (only stop and sensor cues for so long after it begins); grade_percent
# and speed_km_h, as a belt's programme has them. Key n goes on
# to the next part, or past all rounds of a repeat that has skip = "repeat".
# A part without ceiling_bpm has the ceiling of your settings; a fast or test
# part without one is left to you, only stop is cued.
"""

_EASY_HOUR = f"""\
# An easy hour: warm up, run under the ceiling, cool down.
{_KEYS}
name = "easy hour"

[[part]]
kind = "warm_up"
minutes = 10

[[part]]
kind = "easy"
minutes = 45

[[part]]
kind = "cool_down"
minutes = 5
"""

_HILLS = f"""\
# Easy hill repeats: run up under the ceiling, walk or jog down.
{_KEYS}
name = "easy hills"

[[part]]
kind = "warm_up"
minutes = 12

[[part]]
repeat = 5

  [[part.part]]
  kind = "climb"
  name = "up"
  minutes = 3

  [[part.part]]
  kind = "easy"
  name = "down"
  minutes = 3

[[part]]
kind = "cool_down"
minutes = 8
"""

_BELT_HILLS = f"""\
# A treadmill's hill programme: the belt climbs by itself. The guard knows what
# comes and cues before the foot of a climb. Set your own speeds; slow the belt
# when you are told to. `guard route FILE` says what each climb asks of you.
{_KEYS}
name = "belt hills"

[[part]]
kind = "warm_up"
minutes = 10
grade_percent = 0
speed_km_h = 7.5

[[part]]
repeat = 4

  [[part.part]]
  kind = "climb"
  name = "up"
  minutes = 4
  grade_percent = 3
  speed_km_h = 7

  [[part.part]]
  kind = "easy"
  name = "level"
  minutes = 3
  grade_percent = 0
  speed_km_h = 8

[[part]]
kind = "cool_down"
minutes = 5
grade_percent = 0
speed_km_h = 6.5
"""

_STRIDES = f"""\
# Strides: short fast stretches in an easy run. They are left to you (only stop
# is cued), and after each one heart rate gets time to fall before easing is
# cued again.
{_KEYS}
name = "easy run with strides"

[[part]]
kind = "warm_up"
minutes = 10

[[part]]
kind = "easy"
minutes = 20

[[part]]
repeat = 6

  [[part.part]]
  kind = "fast"
  name = "stride"
  seconds = 20

  [[part.part]]
  kind = "easy"
  name = "easy"
  minutes = 2

[[part]]
kind = "cool_down"
minutes = 5
"""

_BY_DISTANCE = f"""\
# Five easy kilometres by distance. The distance comes from a treadmill, a foot
# pod or the speed you type; without any of them each part goes by its pace.
{_KEYS}
name = "easy five"

[[part]]
kind = "warm_up"
km = 1
pace_min_per_km = "8:30"

[[part]]
kind = "easy"
km = 3.5
pace_min_per_km = "7:30"

[[part]]
kind = "cool_down"
metres = 500
minutes = 5
"""

_STEADY_CHECK = f"""\
# The monthly steady-heart-rate check: three steady stretches at speeds that you
# keep from month to month, all of them easy and under your ceiling (a treadmill
# or a flat loop; same shoes, same time of day, not after a hard day). Hold the
# speed; only stop is cued. `guard progress` compares heart rate over the last
# two minutes of each stretch with earlier checks, and takes the speed at the
# ceiling from all three. Seven minutes let heart rate settle.
{_KEYS}
name = "steady check"

[[part]]
kind = "warm_up"
minutes = 10

[[part]]
kind = "test"
name = "steady, slow"
minutes = 7

[[part]]
kind = "test"
name = "steady, middle"
minutes = 7

[[part]]
kind = "test"
name = "steady, quicker"
minutes = 7

[[part]]
kind = "cool_down"
minutes = 5
"""

_TALK_TEST = f"""\
# Talk test: six stages, each a little faster (about 0.5 km/h or 0.3 mph). When
# the plan says "say it aloud", say thirty words you know by heart: is speaking
# comfortable? If not, press m (mark), then n, which goes over to the cool-down
# from any stage. It is run under a never-exceed limit, from whoever tested or
# treats you: --set stop_bpm=BPM. `guard ceiling --talk-test last` reads the
# result, `guard ceiling --how talk-test` explains it.
{_KEYS}
name = "talk test"

[[part]]
kind = "warm_up"
minutes = 10

[[part]]
repeat = 6
skip = "repeat"

  [[part.part]]
  kind = "test"
  name = "stage"
  seconds = 150

  [[part.part]]
  kind = "test"
  name = "say it aloud"
  seconds = 30

[[part]]
kind = "cool_down"
minutes = 10
"""

_FIELD_TEST = f"""\
# Half an hour at the fastest even pace at which you still speak in whole
# sentences; on a belt leave the speed alone. It is run under a
# never-exceed limit, from whoever tested or treats you: --set stop_bpm=BPM.
# `guard ceiling --field-test last` reads the result.
{_KEYS}
name = "half an hour while able to talk"

[[part]]
kind = "warm_up"
minutes = 10

[[part]]
kind = "test"
name = "even pace, able to talk"
minutes = 30

[[part]]
kind = "cool_down"
minutes = 10
"""

TESTS = ("talk-test", "field-test")  # run under a never-exceed limit in place of a ceiling
EXAMPLES: dict[str, str] = {
    "easy-hour": _EASY_HOUR,
    "easy-hills": _HILLS,
    "belt-hills": _BELT_HILLS,
    "strides": _STRIDES,
    "easy-five": _BY_DISTANCE,
    "talk-test": _TALK_TEST,
    "field-test": _FIELD_TEST,
    "steady-check": _STEADY_CHECK,
}
