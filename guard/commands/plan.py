"""`guard plan`: check a plan and draw it, or write one to start from."""

import argparse

from rich.markup import escape

from guard.commands.options import chosen_settings, print_json, tell
from guard.errors import UsageError, printable, short
from guard.plan.drawing import draw
from guard.plan.examples import EXAMPLES, TESTS
from guard.plan.file import read_plan, write_new
from guard.plan.plan import Part, Plan
from guard.screen.report import columns, console_and_look, table
from guard.screen.words import clock
from guard.units import speed

_WIDEST = 120  # cells; longer lines are hard to read
_CUED = {"all": "all", "walk_and_stop": "walk, run again and stop", "stop_only": "only stop"}


def run(args: argparse.Namespace) -> int:
    if args.make is not None:
        if args.file is not None or args.json:
            raise UsageError("--make stands alone: give -o FILE to say where it goes")
        return _make(args.make, args.output)
    if args.output is not None:
        raise UsageError("-o goes with --make: give the plan to check without it")
    if args.file is None:
        raise UsageError("which plan? `guard plan FILE` checks one, "
                         "`guard plan --make easy-hour -o FILE` writes one to start from")
    settings = chosen_settings(args, need_ceiling=False)
    plan = read_plan(args.file, settings)
    notes = _notes(plan, settings.ceiling_bpm)
    if args.json:
        for note in notes:
            tell(note)
        print_json({"format": 1, "plan": plan.as_dict(), "duration_s": plan.seconds,
                    "ceiling_bpm": settings.ceiling_bpm, "notes": notes})
    else:
        _show(plan, settings.ceiling_bpm, notes, settings.units)
    return 0


def _make(name: str, output: str | None) -> int:
    if name not in EXAMPLES:
        shown = short(name, 40)
        raise UsageError(f"no example named {shown}: choose one of {', '.join(EXAMPLES)}")
    if output is None:
        print(EXAMPLES[name], end="")
        return 0
    write_new(output, EXAMPLES[name])
    shown = printable(output)
    limit = " --set stop_bpm=BPM" if name in TESTS else ""
    print(f"wrote {shown}: change it as you like, `guard plan {shown}` checks it, "
          f"`guard run --plan {shown}{limit}` follows it")
    return 0


def _notes(plan: Plan, ceiling_bpm: float | None) -> list[str]:
    notes = []
    if any(part.metres is not None for part in plan.parts):
        notes.append("parts by distance need a known speed (treadmill, foot pod or typed); "
                     "without one they go by their time")
    graded = any(part.grade for part in plan.parts)
    if graded and not any(part.speed_m_s for part in plan.parts):
        notes.append("a grade counts where a speed is known: add speed_km_h, or run with a treadmill, a foot "
                     "pod or a typed speed")
    if ceiling_bpm is None:
        notes.append("no ceiling is set, so nothing is drawn: add --ceiling BPM")
    return notes


def _show(plan: Plan, ceiling_bpm: float | None, notes: list[str], units: str) -> None:
    console, look = console_and_look()
    print(look.text(f"{plan.name}: {len(plan.parts)} parts, {clock(plan.seconds)}"))
    grid = table(look)
    grid.add_column("#", justify="right", no_wrap=True)
    for heading in ("part", "length", "limit, bpm", "cues"):
        grid.add_column(heading, overflow="fold", no_wrap=heading == "length")
    road = any(part.grade is not None or part.speed_m_s is not None for part in plan.parts)
    if road:
        grid.add_column("road", overflow="fold")
    for index, part in enumerate(plan.parts, start=1):
        name = look.text(part.name)
        kind = "" if name.startswith(part.kind.words) else f" ({part.kind.words})"
        grid.add_row(str(index), escape(f"{name}{kind}"), _length(part), _limit(part, ceiling_bpm),
                     _cues(part), *([_road(part, units)] if road else []))
    console.print(grid)
    if ceiling_bpm is not None:
        print(*draw(plan, ceiling_bpm, columns(_WIDEST), look), sep="\n")
    for note in notes:
        print(f"note: {note}")


def _length(part: Part) -> str:
    if part.metres is None:
        return clock(part.seconds)
    return f"{part.metres / 1000:.4g} km (or {clock(part.seconds)})"


def _limit(part: Part, ceiling_bpm: float | None) -> str:
    if not part.guarded:
        return "left to you"
    ceiling = ceiling_bpm if part.ceiling_bpm is None else part.ceiling_bpm
    if ceiling is None:
        words = f"ceiling, from {part.ramp_bpm:g} under it" if part.ramp_bpm else "ceiling"
    else:
        words = f"{ceiling - part.ramp_bpm:g} to {ceiling:g}" if part.ramp_bpm else f"{ceiling:g}"
    return words if part.floor_bpm is None else f"{words}, floor {part.floor_bpm:g}"


def _road(part: Part, units: str) -> str:
    grade = "" if part.grade is None else f"{100 * part.grade:g} %"
    pace = "" if part.speed_m_s is None else speed(part.speed_m_s, units)
    return ", ".join(word for word in (grade, pace) if word)


def _cues(part: Part) -> str:
    words = _CUED[part.cued.value]
    return f"{words}, after {part.grace_s:.0f} s quiet" if part.grace_s and part.guarded else words
