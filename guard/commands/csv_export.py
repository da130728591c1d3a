"""`guard export`: a recording as CSV, or many as Parquet tables."""

import argparse
import sys
from pathlib import Path

from guard.commands.options import counting, log_path, tell
from guard.csv.write import csv_chunks
from guard.errors import HardwareError, UsageError, printable
from guard.files.folders import make_private
from guard.files.whole import write_whole
from guard.log.recording import read_log


def run(args: argparse.Namespace) -> int:
    if args.parquet:
        return _parquet(args)
    if len(args.files) > 1:
        raise UsageError("a CSV file holds one recording: name one LOG, or add --parquet for many")

    recording = read_log(log_path(args.files[0]))
    for note in recording.notes:
        tell(note)
    if args.output == "-":
        sys.stdout.buffer.writelines(csv_chunks(recording))
        sys.stdout.buffer.flush()
        return 0
    write_whole(Path(args.output), csv_chunks(recording), force=args.force)
    print(f"written: {printable(args.output)}")
    return 0


def _parquet(args: argparse.Namespace) -> int:
    try:
        import pyarrow  # noqa: F401
    except ImportError:
        raise HardwareError("writing Parquet needs the package pyarrow, which is not installed: "
                            "pip install 'heart-rate-guard[parquet]'") from None
    from guard.parquet.write import export, logs_of

    if args.output == "-":
        raise UsageError("--parquet writes three files: name a folder for -o")
    written = export(logs_of(map(log_path, args.files)), make_private(Path(args.output)), force=args.force,
                     progress=counting("writing sessions", least=20))
    for name, why in written.left_out.items():
        tell(f"{name} is left out: {why}")
    print(f"written to {printable(args.output)}: {written.sessions} sessions, {written.readings} readings, "
          f"{written.cues} cues")
    return 0
