"""`python -m tests.lab.tune_speed`: a module of its own, or the processes would not find their work."""

from tests.lab.tune_speed.tune_speed import main

if __name__ == "__main__":
    raise SystemExit(main())
