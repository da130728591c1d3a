"""Who does the work: processes of this machine, or the workers of a scheduler."""

import re
from importlib.util import find_spec

from guard.errors import HardwareError, UsageError
from guard.workers.pool import Pool
from guard.workers.pool import Workers as Workers
from guard.workers.scheduler import Scheduler


def workers(address: str | None, jobs: int) -> Workers:
    """The scheduler at `address`, or `jobs` processes of this machine.

    Raises UsageError for an address of no known form, HardwareError where Dask is missing.
    """
    if address is None:
        return Pool(jobs)
    if not re.fullmatch(r"(tcp|tls)://[\w.\[\]:-]+:\d{1,5}", address):
        raise UsageError("takes tcp://HOST:PORT, or tls://HOST:PORT", option="--workers")
    if find_spec("distributed") is None:
        raise HardwareError("--workers needs the package distributed, which is not installed: "
                            "pip install 'heart-rate-guard[many]'")
    return Scheduler(address)
