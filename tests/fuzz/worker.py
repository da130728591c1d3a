"""One target in a process of its own; started and watched by `python -m tests.fuzz`.

What fails is printed and its input kept in FOUND, once for each place in the
source, and the search goes on. Guided by coverage it needs `atheris`, which is
no dependency of the tests.

usage: python -m tests.fuzz.worker TARGET FOUND WORK counted COUNT SEED
       python -m tests.fuzz.worker TARGET FOUND WORK guided [libFuzzer options, corpus folder]
"""

from __future__ import annotations

import contextlib
import random
import sys
import warnings
from pathlib import Path

from tests.fuzz.trail import Trail

MEMORY_BYTES = 4 << 30
TRAIL = "trail"


def main() -> None:
    name, found, work, how, *options = sys.argv[1:]
    trail = Trail(Path(work) / TRAIL)
    folder = Path(work) / "input"
    folder.mkdir(exist_ok=True)
    with contextlib.suppress(ImportError):  # not on Windows
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    if how == "counted":
        _counted(name, Path(found), trail, folder, int(options[0]), int(options[1]))
    else:
        _guided(name, Path(found), trail, folder, options)


def _counted(name: str, found: Path, trail: Trail, folder: Path, count: int, seed: int) -> None:
    from tests.fuzz.campaign import Found, inputs
    from tests.fuzz.targets import TARGETS

    warnings.simplefilter("error")
    target = TARGETS[name]
    keeper = Found(name, found, trail)
    for data in inputs(target, count, seed):
        keeper.run(target, data, folder)


def _guided(name: str, found: Path, trail: Trail, folder: Path, options: list[str]) -> None:
    import atheris

    # The targets import what they need when they run: all of the search is inside.
    with atheris.instrument_imports(include=["guard", "tomllib", "wave", "csv", "json"]):
        from tests.fuzz.campaign import Found
        from tests.fuzz.mutate import mutated
        from tests.fuzz.targets import TARGETS

        target = TARGETS[name]
        seeds = target.seeds()
        keeper = Found(name, found, trail)
        for data in seeds:
            keeper.run(target, data[:target.longest], folder)
        warnings.simplefilter("error")

        def change(data: bytes, longest: int, seed: int) -> bytes:
            chance = random.Random(seed)
            if chance.random() < 0.5:
                return bytes(atheris.Mutate(data, longest))
            return mutated(data, chance, seeds, longest)

        atheris.Setup([sys.argv[0], *options], lambda data: keeper.run(target, data, folder),
                      custom_mutator=change)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
