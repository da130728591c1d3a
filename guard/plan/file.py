"""Reading and writing plan files; what they mean is in `guard.plan.text`."""

from pathlib import Path

from guard.errors import InputError, UsageError, printable
from guard.files.whole import read_capped, write_whole
from guard.plan.plan import Plan
from guard.plan.text import parse_plan
from guard.settings import Settings

LARGEST_PLAN_BYTES = 1 << 20  # bytes


def read_plan(file: str, settings: Settings) -> Plan:
    """The plan in `file`; InputError naming the file, the part and the fix."""
    path = Path(file)
    data = read_capped(path, LARGEST_PLAN_BYTES, "a plan")
    if data is None:
        raise InputError(f"there is no plan {_shown(file)}: "
                         "`guard plan --make easy-hour -o FILE` writes one to start from")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[:error.start].count(b"\n") + 1
        raise InputError(f"{_shown(file)} is not UTF-8 text (line {line}): save it as UTF-8") from None
    return parse_plan(text, file, settings)


def write_new(file: str, text: str) -> None:
    """Write `text` to a file that does not exist yet; it appears whole or not at all.

    UsageError where it exists, HardwareError where folder or disk does not take it.
    """
    try:
        write_whole(Path(file), [text.encode()])
    except UsageError:
        raise UsageError(f"{_shown(file)} is there already and stays as it is: choose another name") from None


def _shown(file: str) -> str:
    return printable(file[:200])
