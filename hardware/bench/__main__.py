"""The real Bluetooth stack on demand: a virtual machine, the real service, a virtual strap, the real guard.

    python hardware/bench            run everything and print the table
    python hardware/bench --record   and keep what the Bluetooth service answered, for the tests
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path

from machine import Machine, Silent, accelerators, check, kvm_failed
from packages import CannotRun, cache_folder, fetch

ROOT = Path(__file__).resolve().parents[2]
NEEDS = ("bumble", "dbus_fast", "bleak", "pytest", "scipy")


class Table:
    """The rows, printed as they come."""

    def __init__(self) -> None:
        self.failed: list[str] = []
        self.count = 0

    def add(self, what: str, seen: str, wanted: str, ok: bool) -> None:
        if self.count == 0:
            print(f"\n{'what':<42} {'ok':<3} seen (wanted)")
        self.count += 1
        if not ok:
            self.failed.append(what)
        print(f"{what:<42} {'yes' if ok else 'NO':<3} {seen} ({wanted})", flush=True)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python hardware/bench", description=__doc__.partition("\n")[0])
    parser.add_argument("--record", action="store_true",
                        help="keep what the service answered as the record the tests hold the emulation to")
    parser.add_argument("--accel", choices=("kvm", "tcg"),
                        help="hardware acceleration or none (default: what works here)")
    parser.add_argument("--keep", metavar="FOLDER", type=Path,
                        help="copy the log, the sounds and the words of all programs there")
    args = parser.parse_args()
    began_s = time.monotonic()
    out = Path(tempfile.mkdtemp(prefix="guard-bench-"))
    table = Table()
    # Ended from outside, it still ends its machine and clears up.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    try:
        check()
        _check_python()
        cache = cache_folder()
        kernel, initrd, root = fetch(cache)
        _play(kernel, initrd, root, out, [args.accel] if args.accel else accelerators(cache), cache, table,
              keep=args.record)
    except CannotRun as error:
        print(f"bench: {error}", file=sys.stderr)
        return 4
    except KeyboardInterrupt:
        print("bench: interrupted", file=sys.stderr)
        return 130
    finally:
        if args.keep:
            shutil.copytree(out, args.keep, dirs_exist_ok=True)
        shutil.rmtree(out, ignore_errors=True)
    print(f"\n{table.count - len(table.failed)} of {table.count} lines as wanted, "
          f"{time.monotonic() - began_s:.0f} s in all")
    if table.failed:
        print("not as wanted: " + "; ".join(table.failed), file=sys.stderr)
    return 1 if table.failed else 0


def _check_python() -> None:
    missing = [name for name in NEEDS if importlib.util.find_spec(name) is None]
    if missing:
        raise CannotRun(f"{', '.join(missing)} missing in {sys.executable}: install the locks of the tests "
                        "(see DEVELOPERS.md) and use that Python")
    if " " in sys.executable + str(ROOT):
        raise CannotRun("the paths of Python and repository must have no spaces: the virtual machine "
                        "gets them on its kernel's command line")


def _play(kernel: Path, initrd: Path, root: Path, out: Path, accels: list[str], cache: Path,
          table: Table, *, keep: bool) -> None:
    """Boot the machine and go through everything; CannotRun when it does not even boot."""
    for accel in accels:
        with Machine(kernel, initrd, root, out, accel) as machine:
            try:
                machine.boot()
            except Silent as silent:
                words = f"the virtual machine {silent}; its last words:\n{machine.last()}"
            else:
                try:
                    _story(machine, out, table, keep=keep)
                except (Silent, AssertionError) as error:
                    table.add("the bench itself", str(error).strip().partition("\n")[0],
                              "comes to its end", False)
                    print(machine.last(), file=sys.stderr)
                return
        if accel == "kvm" and len(accels) > 1:
            kvm_failed(cache)
            print("hardware acceleration does not boot here: going on without", flush=True)
    raise CannotRun(words)


def _story(machine: Machine, out: Path, table: Table, *, keep: bool) -> None:
    from scenario import Rig, Scenario, record

    from tests.support.bluez_record import RECORD, differences, recorded

    about = json.loads(machine.order("about"))
    print(f"Linux {about['kernel']}, bluetoothd {about['bluetoothd']}, "
          f"{'with' if machine.accel == 'kvm' else 'without'} hardware acceleration", flush=True)
    rig = Rig(machine)
    os.environ.update(rig.env)
    answers = record(rig, about)
    (out / "answers.json").write_text(json.dumps(answers, indent=1) + "\n")
    if keep:
        shutil.copy(out / "answers.json", RECORD)
    found = differences(answers, recorded())
    if found and not keep:  # a busy machine lets a link go now and then: what differs twice differs
        print(f"asked again, for: {found[0]}", flush=True)
        again = record(rig, about)
        found = [one for one in differences(again, recorded()) if one in found]
    table.add("answers of the Bluetooth service", f"{len(answers['steps'])} steps"
              + (f", {len(found)} differences: {found[0]}" if found else ", no difference"),
              f"as in {RECORD.name}, to which the tests hold the emulation", not found)
    Scenario(rig, out, answers, table.add).play()


if __name__ == "__main__":
    sys.path.insert(1, str(ROOT))
    os.chdir(ROOT)
    sys.exit(main())
