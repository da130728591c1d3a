"""`python -m tests.lab.estimators`: a module of its own, or the processes would not find their work."""

import sys

from guard.errors import GuardError
from tests.lab.estimators.estimators import main

if __name__ == "__main__":
    try:
        sys.exit(main())
    except GuardError as error:
        print(f"estimators: {error}", file=sys.stderr)
        sys.exit(error.exit_code)
