"""The `guard` command: finds the subcommand, runs it, turns errors into exits."""

import argparse
import errno
import os
import sys
from collections.abc import Container, Sequence
from typing import NoReturn

from guard import __version__
from guard.commands.arguments import COMMANDS, run_command
from guard.errors import EXIT_INTERRUPTED, GuardError, InputError, UsageError, printable
from guard.screen.lines import filled, let_go_of_output

EXIT_NO_OUTPUT = 4  # as for missing hardware: standard output cannot be written
_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EIO)

START = """\
Heart-rate guard {version}: keeps an easy run under your heart-rate ceiling.

Where to start
  guard start               step by step to your first guarded run
  guard rehearse            see and hear it with an invented runner, no strap
  guard run --ceiling 139   guard a run with your strap (139 is an example)
  guard --help              every command

Not a medical device. Stop and seek help for chest pain, faintness or unusual
breathlessness. Ask a licensed professional first if you have a heart
condition, take medicine that changes heart rate, are pregnant, or have not
exercised for long.
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code and never lets a traceback out."""
    words = list(sys.argv[1:] if argv is None else argv)
    _open_what_is_closed()
    # The matrices are small: more threads of numpy only wait for each other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.umask(0o077)  # whatever is written is about one person's body: for its owner only
    try:
        if not words:
            print(START.format(version=__version__), end="", flush=True)
            return 0
        args, unknown = _parser(words).parse_known_args(words)
        if unknown:
            raise UsageError(f"{args.command} does not take {' '.join(unknown)}: "
                             f"`guard {args.command} --help` shows what it takes")
        code = run_command(args)
        sys.stdout.flush()  # here, where a reader that went away is no error
        return code
    except GuardError as error:
        _complain(str(error))
        return error.exit_code
    except SystemExit:
        try:
            sys.stdout.flush()  # the help of argparse: when Python ends it would be too late
        except BrokenPipeError:
            let_go_of_output()
            return 0
        raise
    except KeyboardInterrupt:
        _complain("interrupted")
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # The reader of our output went away (`guard ... | head`): not an error.
        let_go_of_output()
        return 0
    except Exception as error:
        if os.environ.get("GUARD_DEBUG"):
            raise
        if isinstance(error, OSError) and error.errno in _FULL and error.filename is None:
            let_go_of_output()
            _complain(f"the output could not be written ({error.strerror}): free some space where it goes, "
                      "or send it elsewhere")
            return EXIT_NO_OUTPUT
        if isinstance(error, OSError) and error.filename is not None:
            _complain(f"cannot use {str(error.filename)[:200]} ({error.strerror or error}): "
                      "check the name and what you may do there")
            return InputError.exit_code
        _complain(f"a fault in the guard itself ({type(error).__name__}: {error}); run again with "
                  "GUARD_DEBUG=1 to see where, and report it")
        return 1


def _open_what_is_closed() -> None:
    """A stream closed by whoever started the guard leads nowhere from now on.

    Python has None for it, and the first file opened (a log) would take its
    number and get what was meant for the stream.
    """
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: SIM115, PTH123
        elif mode == "w" and hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a sign that the encoding lacks becomes a question mark


def _complain(sentence: str, by: str = "guard") -> None:
    # Names from outside stand in errors; nothing in them may steer the terminal.
    lines = "\n".join(map(printable, sentence.split("\n")))
    print(filled(f"{by}: {lines}", stream=sys.stderr), file=sys.stderr)


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        _complain(f"{message}; `{self.prog} --help` shows how", by=self.prog)
        self.exit(2)


def _parser(words: Sequence[str]) -> argparse.ArgumentParser:
    """The parser for these words: of other commands than theirs it knows no options."""
    return parser_of({next((word for word in words if not word.startswith("-")), "")})


class _Version(argparse.Action):
    def __call__(self, *_: object) -> NoReturn:
        from guard import about

        print(about.text())
        sys.exit(0)


def parser_of(asked: Container[str]) -> argparse.ArgumentParser:
    """The parser of the whole command line; of the commands `asked` for with their options."""
    parser = _Parser(
        prog="guard",
        description="Keeps easy running under a heart-rate ceiling.",
        epilog="guard COMMAND --help shows the options of a command and an example.",
    )
    parser.add_argument("--version", action=_Version, nargs=0,
                        help="the version and what it runs on, for a report")
    sub = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, command in COMMANDS.items():
        line = command.line
        its = sub.add_parser(name, help=line, description=line[0].upper() + line[1:] + ".",
                             epilog=f"example: {command.example}")
        if name in asked:
            command.describe(its)
    return parser


if __name__ == "__main__":
    sys.exit(main())
