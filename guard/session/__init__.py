"""One session: inputs in order, decisions out; knows no clock, file or radio."""

from guard.session.session import Session

__all__ = ["Session"]
