"""One target under a coverage-guided fuzzer; started by `python -m tests.fuzz`.

Needs `atheris`, which is no dependency of the tests. What fails is written to
FOUND, once for each place in the source, and the search goes on.

usage: python -m tests.fuzz.guided TARGET FOUND [libFuzzer options, corpus folder]
"""

from __future__ import annotations

import random
import sys
import tempfile
import warnings
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["guard", "tomllib", "wave", "csv", "json"]):
    from tests.fuzz.campaign import Found
    from tests.fuzz.mutate import mutated
    from tests.fuzz.targets import TARGETS


def main() -> None:
    name, found = sys.argv[1], Path(sys.argv[2])
    target = TARGETS[name]
    seeds = target.seeds()
    warnings.simplefilter("error")
    keeper = Found(name, found)
    folder = Path(tempfile.mkdtemp(prefix=f"guard-fuzz-{name}-"))

    def one(data: bytes) -> None:
        keeper.run(target, data, folder)

    def change(data: bytes, longest: int, seed: int) -> bytes:
        chance = random.Random(seed)
        if chance.random() < 0.5:
            return bytes(atheris.Mutate(data, longest))
        return mutated(data, chance, seeds, longest)

    atheris.Setup([sys.argv[0], *sys.argv[3:]], one, custom_mutator=change)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
