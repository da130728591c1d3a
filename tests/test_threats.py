"""Promises of the threat list in SECURITY.md that no other test holds: locks, devices, shared folders."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import stat
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from guard.devices import remembered as straps
from guard.devices.seen import RememberedDevice, Seen, Several, Taken, Wanted, pick
from guard.errors import GuardError
from guard.files.folders import sessions_dir
from guard.log.log import SessionLog, session_header
from guard.settings import Settings

ROOT = Path(__file__).resolve().parents[1]
LOCKS = ["requirements.lock", "tests/requirements.lock", "hardware/requirements.lock"]
POSIX = pytest.mark.skipif(os.name != "posix", reason="POSIX modes")


def test_the_list_names_tests_that_exist():
    text = (ROOT / "SECURITY.md").read_text(encoding="utf-8")
    section = text[text.index("## Threats"):]
    section = section[:section.index("\n## ", 5)]
    named = re.findall(r"`((?:tests/|test_)[\w/]+\.py|tests/fuzz)`", section)
    assert len(named) >= 10
    missing = [name for name in named
               if not (ROOT / name).exists() and not (ROOT / "tests" / name).exists()]
    assert missing == []


# -- dependencies

@pytest.mark.parametrize("name", LOCKS)
def test_every_dependency_is_pinned_with_hashes(name: str):
    text = (ROOT / name).read_text(encoding="utf-8").replace("\\\n", " ")
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    assert lines
    for line in lines:
        assert re.match(r"[A-Za-z0-9._-]+==\S+ ", line), line
        assert re.search(r"--hash=sha256:[0-9a-f]{64}\b", line), line
        assert not re.search(r"--(?:extra-)?index-url|--trusted-host|://|\bgit\+", line), line


def test_set_up_checks_the_hashes():
    setup = (ROOT / "hardware" / "setup.sh").read_text(encoding="utf-8")
    assert setup.count("--require-hashes -r") == 2


def wheel(folder: Path, content: str) -> Path:
    """An invented package of one module."""
    path = folder / "invented_part-1.0-py3-none-any.whl"
    files = {
        "invented_part.py": content,
        "invented_part-1.0.dist-info/METADATA": "Metadata-Version: 2.1\nName: invented-part\nVersion: 1.0\n",
        "invented_part-1.0.dist-info/WHEEL": "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
    }
    rows = []
    with zipfile.ZipFile(path, "w") as file:
        for name, text in files.items():
            file.writestr(name, text)
            digest = base64.urlsafe_b64encode(hashlib.sha256(text.encode()).digest()).rstrip(b"=").decode()
            rows.append(f"{name},sha256={digest},{len(text)}\n")
        file.writestr("invented_part-1.0.dist-info/RECORD",
                      "".join(rows) + "invented_part-1.0.dist-info/RECORD,,\n")
    return path


@pytest.mark.slow
def test_a_changed_package_is_refused(tmp_path: Path):
    """As set-up installs: a package swapped after it was locked, though sound in itself, does not get in."""
    package = wheel(tmp_path, "answer = 42\n")
    lock = tmp_path / "some.lock"
    lock.write_text(f"invented-part==1.0 \\\n    --hash=sha256:"
                    f"{hashlib.sha256(package.read_bytes()).hexdigest()}\n", encoding="utf-8")
    words = [sys.executable, "-m", "pip", "install", "--isolated", "--no-index", "--find-links", tmp_path,
             "--no-cache-dir", "--require-hashes", "-r", str(lock), "--target", str(tmp_path / "in")]
    clean = {key: value for key, value in os.environ.items() if not key.startswith("PIP_")}
    first = subprocess.run(words, env=clean, capture_output=True, text=True, check=False)
    assert first.returncode == 0, first.stderr
    wheel(tmp_path, "answer = 43\n")
    second = subprocess.run([*words[:-1], str(tmp_path / "other")], env=clean,
                            capture_output=True, text=True, check=False)
    assert second.returncode != 0 and "DO NOT MATCH THE HASHES" in second.stderr
    assert not list((tmp_path / "other").glob("*")) if (tmp_path / "other").exists() else True


# -- a strap that answers to the name

def test_a_stranger_of_the_same_name_is_never_taken_in_place_of_the_remembered_one():
    mine = Seen("Strap A", "C8:00:00:00:00:01", -90, "random")
    stranger = Seen("Strap A", "C8:00:00:00:00:09", -30, "random")  # nearer, louder
    wanted = Wanted("Strap A", "C8:00:00:00:00:01")
    assert pick([stranger, mine], wanted, settled=True) == Taken(mine)
    assert pick([stranger], wanted, settled=False) is None  # time for mine to show up
    under_way = Wanted("Strap A", "C8:00:00:00:00:01", in_session=True)
    assert pick([stranger], under_way, settled=True) is None
    verdict = pick([stranger], wanted, settled=True)  # between runs: said, not silent
    assert isinstance(verdict, Taken) and "new address" in verdict.note
    other = Seen("Strap A", "5A:00:00:00:00:04", -40, "random")
    assert pick([stranger, other], wanted, settled=True) == Several((stranger, other))


def test_the_address_is_what_is_remembered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("GUARD_HOME", str(tmp_path))
    path = straps.remember(RememberedDevice("Strap A", "C8:00:00:00:00:01"))
    assert json.loads(path.read_text(encoding="utf-8"))["address"] == "C8:00:00:00:00:01"


# -- somebody else on the same computer

@POSIX
def test_a_link_laid_in_the_way_is_not_written_through(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A log never appends to or replaces what stands at its name."""
    monkeypatch.setenv("GUARD_HOME", str(tmp_path / "home"))
    precious = tmp_path / "precious"
    precious.write_text("untouched")
    place = sessions_dir() / "2026-03-02_0610.jsonl"
    place.symlink_to(precious)
    header = session_header(Settings(ceiling_bpm=139), started=None, clock_trusted=False)
    try:
        log = SessionLog(place, header)
        log.close({})
    except GuardError:
        pass
    else:
        assert log.path != place
    assert precious.read_text() == "untouched"


@POSIX
def test_folders_and_files_are_closed_under_any_umask(tmp_path: Path):
    code = ("import os; os.umask(0)\nfrom guard.cli import main\n"
            "assert main(['settings', 'words=0.3']) == 0\nassert main(['journal', '--sleep', '7']) == 0")
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, stdin=subprocess.DEVNULL,
                   env={**os.environ, "GUARD_HOME": str(tmp_path / "home")})
    made = [tmp_path / "home", *(tmp_path / "home").rglob("*")]
    assert len(made) >= 5
    for path in made:
        assert stat.S_IMODE(path.stat().st_mode) == (0o700 if path.is_dir() else 0o600), path
