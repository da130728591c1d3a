"""The usual cautions, shown at the first start and acknowledged once."""

from pathlib import Path
from textwrap import fill
from typing import TextIO

from guard.screen.report import columns

# Said at the first start and beside every suggested ceiling.
FOR_EVERY_RUN = (
    "The guard is no medical device: it finds no illness and prevents none, and it can be wrong. "
    "How you feel comes before anything it says.",
    "Stop and seek help at once for chest pain or pressure, faintness, unusual breathlessness, "
    "or a heart beat that feels wrong.",
    "Ask a licensed professional first if you have or had a heart condition, take medicine that changes "
    "heart rate, are pregnant, have been ill, or have not exercised for long.",
    "Heat: a heart rate under the ceiling does not mean you are safe in the heat. "
    "Drink, shade, shorten, stop.",
    "On a treadmill wear its safety clip and use your own hand: the guard only advises, "
    "it never sets a speed.",
    "Outdoors keep your ears open for traffic: one ear free, or a small loudspeaker.",
)
_WIDEST = 78  # cells of a line of text
_FILE = "cautions-read"
_ASK = "Enter: read and understood; q: leave. "


def cautions(width: int = _WIDEST) -> str:
    """All of them in lines of at most `width` cells."""
    width = max(width, 20)
    return "Before you run with the guard\n\n" + "\n\n".join(
        fill(text, width, initial_indent="  ", subsequent_indent="  ") for text in FOR_EVERY_RUN) + "\n"


def shown_once(config_folder: Path, *, reader: TextIO | None, writer: TextIO) -> bool:
    """Show the cautions unless acknowledged before; False if the runner would rather leave.

    With a `reader` (a terminal) it waits for Enter and remembers that in
    `config_folder`; without one it prints and goes on, and will print again.
    """
    mark = config_folder / _FILE
    if mark.exists():
        return True
    writer.write(cautions(columns(_WIDEST)) + "\n")
    writer.flush()
    if reader is None:
        return True
    writer.write(_ASK)
    writer.flush()
    answer = reader.readline()
    if not answer or answer.strip().lower().startswith("q"):
        return False
    try:
        mark.touch()
    except OSError:
        writer.write(f"(this cannot be remembered: {config_folder} takes no file)\n")
    return True
