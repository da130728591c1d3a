"""`python -m guard` is the `guard` command."""

import sys

from guard.cli import main

sys.exit(main())
