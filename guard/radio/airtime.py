"""Who may scan and connect: the strap before all others, and one at a time.

Two scans at once are refused, a scan spoils a connection being made, and some
adapters drop links while they scan. So a treadmill or pod is looked for only
while the strap is well, and gives way at once when the strap needs the radio.
"""

import asyncio
import contextlib
from collections.abc import Coroutine
from typing import Any, TypeVar

T = TypeVar("T")


class Airtime:
    """The radio as shared by the links of one session. It begins as the strap's."""

    def __init__(self) -> None:
        self._calm = asyncio.Event()
        self._lock = asyncio.Lock()
        self._borrower: asyncio.Task[Any] | None = None

    async def claim(self, limit_s: float) -> None:
        """The strap needs the radio until `release`; waits `limit_s` at most for others to let go."""
        self._calm.clear()
        borrower = self._borrower
        if borrower is not None:
            borrower.cancel()
            await asyncio.wait({borrower}, timeout=limit_s)

    def release(self) -> None:
        """The strap is connected and well: others may use the radio."""
        self._calm.set()

    async def lend(self, work: Coroutine[Any, Any, T]) -> T | None:
        """Do `work` while the strap needs no radio; None where it had to give way.

        An error of the work is raised.
        """
        try:
            async with self._lock:
                await self._calm.wait()
                task = self._borrower = asyncio.ensure_future(work)
                try:
                    await asyncio.wait({task})
                finally:
                    self._borrower = None
                    if not task.done():
                        task.cancel()
                        with contextlib.suppress(asyncio.CancelledError):
                            await asyncio.wait({task})
            return None if task.cancelled() else task.result()
        finally:
            work.close()
