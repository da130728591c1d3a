"""Order of the suite: the long files begin first, so that no process is left alone with one at the end."""

from __future__ import annotations

import os

import pytest

FIRST = ("test_run_end_to_end.py", "test_trust_properties.py", "test_run_with_speed.py", "test_learn.py")

# The suite's processes share the cores: linear algebra in threads of its own would only spin beside them.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: FIRST.index(item.path.name) if item.path.name in FIRST else len(FIRST))
