"""Plans to start from, each a commented TOML file of the folder `examples`. Lengths are common practice."""

from pathlib import Path

NAMES = ("easy-hour", "easy-hills", "belt-hills", "strides", "easy-five", "talk-test", "field-test",
         "steady-check")
_FOLDER = Path(__file__).with_name("examples")


def _text(name: str) -> str:
    """The example, with what every plan may hold after its first comment."""
    about, plan = (_FOLDER / f"{name}.toml").read_text(encoding="utf-8").split("\n\n", 1)
    return f"{about}\n{_FOLDER.joinpath('keys.toml').read_text(encoding='utf-8')}\n{plan}"


TESTS = ("talk-test", "field-test")  # run under a never-exceed limit in place of a ceiling
EXAMPLES: dict[str, str] = {name: _text(name) for name in NAMES}
