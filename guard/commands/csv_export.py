"""`guard export`: a recording as CSV."""

from __future__ import annotations

import argparse
import sys


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="LOG", help="a session log (.jsonl)")
    parser.add_argument("-o", "--output", metavar="OUT.csv", required=True,
                        help="the file to write; - is standard output")
    parser.add_argument("--force", action="store_true", help="overwrite OUT if it exists")


def run(args: argparse.Namespace) -> int:
    from pathlib import Path

    from guard.csv.write import csv_chunks
    from guard.errors import printable
    from guard.files.whole import write_whole
    from guard.log.recording import read_log

    recording = read_log(args.file)
    for note in recording.notes:
        print(f"note: {note}", file=sys.stderr)
    if args.output == "-":
        sys.stdout.buffer.writelines(csv_chunks(recording))
        sys.stdout.buffer.flush()
        return 0
    write_whole(Path(args.output), csv_chunks(recording), force=args.force)
    print(f"written: {printable(args.output)}")
    return 0
