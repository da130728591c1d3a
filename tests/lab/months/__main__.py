"""`python -m tests.lab.months`."""

import os
import sys

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # small matrices: more threads only wait for each other

from tests.lab.months.months import main

if __name__ == "__main__":
    sys.exit(main())
