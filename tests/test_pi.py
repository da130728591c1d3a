"""The guard on a Raspberry Pi: the service, the wiring, the wheels; the slow ones run the real thing."""

from __future__ import annotations

import os
import re
import runpy
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from gpiozero import pi_info

from tests.support.bluez import start_bluez

ROOT = Path(__file__).resolve().parent.parent
HARDWARE = ROOT / "hardware"
PI = HARDWARE / "pi.sh"
UNIT = "heart-rate-guard.service"
STRAP = "C8:00:00:00:00:09"
CGROUPS = Path("/sys/fs/cgroup")

linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="Linux only")
needs_root = pytest.mark.skipif(
    not sys.platform.startswith("linux") or os.geteuid() != 0 or not shutil.which("unshare"),
    reason="needs root and Linux namespaces")


def run(*words: str | Path, **more: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run([str(word) for word in words], capture_output=True, text=True, timeout=120,
                          stdin=subprocess.DEVNULL, check=False, **more)  # type: ignore[call-overload]


# --- the service ---------------------------------------------------------------


def unit_with(guard: str, environment: str = "") -> str:
    text = (HARDWARE / f"{UNIT}.in").read_text(encoding="utf-8")
    values = {"GUARD": guard, "OPTIONS": "", "ENVIRONMENT": environment, "LINGER": "before"}
    for mark, value in values.items():
        text = text.replace(f"@{mark}@", value)
    assert "@" not in text
    return text


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="systemd is not installed")
def test_the_unit_is_one_that_systemd_takes(tmp_path: Path):
    unit = tmp_path / UNIT
    unit.write_text(unit_with(f'"{sys.executable}"', 'Environment="GUARD_HOME=/srv/a folder%%"'))
    env = {**os.environ, "XDG_RUNTIME_DIR": str(tmp_path)}
    done = run("systemd-analyze", "--user", "verify", unit, env=env)
    assert done.returncode == 0 and done.stderr == ""
    unit.write_text(unit_with('"/no/such/guard"') + "\n[Service]\nKillSingal=1\n")
    done = run("systemd-analyze", "--user", "verify", unit, env=env)
    assert "KillSingal" in done.stderr and "not executable" in done.stderr  # the check can fail


def test_stopping_waits_longer_than_a_session_takes_to_close():
    from guard.live import live

    seconds = int(re.search(r"^TimeoutStopSec=(\d+)$", unit_with("guard"), re.M)[1])  # type: ignore[index]
    assert seconds > live.DISCONNECT_S + live.CLOSE_S + live.TICK_S


def test_only_what_starting_again_can_fix_is_started_again():
    from guard.errors import InputError, UsageError

    words = re.search(r"^RestartPreventExitStatus=(.*)$", unit_with("guard"), re.M)[1].split()  # type: ignore[index]
    assert {int(word) for word in words} == {UsageError.exit_code, InputError.exit_code}


@linux
def test_wrong_words_are_answered_in_one_sentence(tmp_path: Path):
    env = {**os.environ, "HOME": str(tmp_path), "SUDO_USER": "", "XDG_RUNTIME_DIR": str(tmp_path)}
    env.pop("XDG_CONFIG_HOME", None)
    assert "pi.sh install" in run("bash", PI, env=env).stdout
    assert run("bash", PI, "instal", env=env).returncode == 2
    for words in (("install", "--colour"), ("status", "now"), ("install", "--home")):
        done = run("bash", PI, *words, env=env)
        assert done.returncode == 1 and done.stderr.startswith("pi: FAILED: "), words
        assert len(done.stderr.splitlines()) == 1
    assert run("bash", PI, "status", env=env).returncode == 3
    assert not list(tmp_path.rglob(UNIT))


# --- the wiring ----------------------------------------------------------------


def wiring() -> dict[str, object]:
    return runpy.run_path(str(HARDWARE / "wiring.py"))


# Revision codes of a 3B+, 4B and 5B; names and places of pins are gpiozero's own board data.
@pytest.mark.parametrize("revision", ["a020d3", "d03114", "c04170"])
def test_pin_numbers_are_those_of_the_boards(revision: str):
    pins: dict[int, tuple[str, str]] = wiring()["PINS"]  # type: ignore[assignment]
    board = pi_info(revision).headers["J8"]
    for number, (name, _) in pins.items():
        assert board.pins[number].name == name
    rows = (HARDWARE / "PI.md").read_text(encoding="utf-8")
    table = re.findall(r"^\| .*?\| (?:GPIO(\d+)|GND|3V3)[^|]*\| (\d+) \|", rows, re.M)
    assert {int(number) for _, number in table} == set(pins)
    for gpio, number in table:
        assert not gpio or board.pins[int(number)].name == f"GPIO{gpio}"
    for gpio in re.findall(r"pin_(?:button|lamp|buzzer)=(\d+)", rows):
        assert f"GPIO{gpio}" in {name for name, _ in pins.values()}


def test_the_drawing_is_the_one_that_the_script_draws():
    drawing: Callable[[], str] = wiring()["drawing"]  # type: ignore[assignment]
    assert (HARDWARE / "wiring.svg").read_text(encoding="utf-8") == drawing()


def test_resistors_keep_the_pins_within_their_currents():
    """16 mA a pin is the most that Raspberry Pi's documentation allows (GPIO voltage specifications)."""
    text = wiring()["drawing"]()  # type: ignore[operator]
    led_ohm, base_ohm = 330, 1000
    assert f"{led_ohm} Ω" in text and "1 kΩ" in text
    assert 0.002 < (3.3 - 2.0) / led_ohm < 0.008  # a red LED takes about 2.0 V (common practice)
    assert (3.3 - 0.7) / base_ohm < 0.008  # and the base of a transistor 0.7 V


def test_the_lock_of_the_pins_holds_the_extra():
    from packaging.requirements import Requirement

    lock = (HARDWARE / "requirements.lock").read_text(encoding="utf-8")
    assert "://" not in lock
    pins = dict(re.findall(r"^([a-z0-9._-]+)==([^\s;]+)", lock, re.M))
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    for line in project["project"]["optional-dependencies"]["pi"]:
        requirement = Requirement(line)
        assert requirement.specifier.contains(pins[requirement.name])


# --- slow: for real ------------------------------------------------------------

INSTEAD_OF_A_WHEEL = {
    "simpleaudio": "built by setup.sh from source (gcc, python3-dev, libasound2-dev), else aplay plays",
    "lgpio": "built by pi.sh from source (gcc, swig, python3-dev)",
}


@pytest.mark.slow
@pytest.mark.parametrize("python", ["3.11", "3.13"])
def test_wheels_for_64_bit_arm(python: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    """Asks the package index: every locked package has a wheel for a Pi, but for those named here."""
    platforms = [word for glibc in (17, 26, 27, 28, 31, 34, 35, 36)
                 for word in ("--platform", f"manylinux_2_{glibc}_aarch64")]
    wanted = _locked_for_a_pi(python)
    missing = set()
    for name, block in wanted.items():
        (tmp_path / "one.lock").write_text(block + "\n")
        done = run(sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary=:all:",
                   "--require-hashes", "--python-version", python, "--implementation", "cp",
                   *platforms, "--platform", "manylinux2014_aarch64", "-d", tmp_path / "wheels",
                   "-r", tmp_path / "one.lock")
        if done.returncode:
            missing.add(name)
    wheels = sorted(path.name for path in (tmp_path / "wheels").iterdir())
    with capsys.disabled():
        print(f"\naarch64, Python {python}: {len(wheels)} wheels; without: "
              + "; ".join(f"{name} ({INSTEAD_OF_A_WHEEL.get(name, '?')})" for name in sorted(missing)))
    assert missing == ({"simpleaudio"} if python == "3.11" else {"simpleaudio", "lgpio"})
    assert len(wheels) == len(wanted) - len(missing)


def _locked_for_a_pi(python: str) -> dict[str, str]:
    """Name and lines of each package that the locks want there, without the condition."""
    from packaging.markers import Marker

    there = {"python_version": python, "python_full_version": f"{python}.2", "sys_platform": "linux",
             "platform_system": "Linux", "platform_machine": "aarch64"}
    found = {}
    for lock in (ROOT, HARDWARE):
        text = (lock / "requirements.lock").read_text(encoding="utf-8")
        for block in re.split(r"\n(?=[a-z0-9])", text.strip()):
            first, _, hashes = block.partition(" \\\n")
            pin, _, condition = first.partition(" ; ")
            if not condition or Marker(condition).evaluate(there):
                found[pin.split("==")[0]] = f"{pin} \\\n{hashes}"
    return found


@pytest.mark.slow
@needs_root
def test_a_read_only_root_with_a_folder_of_its_own_for_the_data(tmp_path: Path):
    """A private mount namespace: the root read-only, an empty /tmp, /srv writable."""
    script = f"""
      set -e
      mount --bind / /mnt; mount -o remount,ro,bind /mnt
      mount -t tmpfs tmpfs /mnt/tmp; mount -t proc proc /mnt/proc; mount --rbind /dev /mnt/dev
      mount -t tmpfs tmpfs /mnt/srv
      chroot /mnt env GUARD_SOUND=off GUARD_HOME=/srv/guard {sys.executable} -m guard \
        rehearse --speedup 2000 --plain >{tmp_path}/well 2>&1
      test -s /mnt/srv/guard/data/rehearsals/*.jsonl
      chroot /mnt env GUARD_SOUND=off GUARD_HOME=/opt/guard {sys.executable} -m guard \
        rehearse --speedup 2000 --plain >{tmp_path}/refused 2>&1
      chroot /mnt env GUARD_HOME=/opt/guard {sys.executable} -m guard \
        settings belt=true >{tmp_path}/set 2>&1 && exit 9
      test $? = 4 || exit 8
    """
    done = run("unshare", "-m", "bash", "-c", script, cwd="/")
    assert done.returncode == 0, done.stderr
    well, refused, kept = ((tmp_path / name).read_text() for name in ("well", "refused", "set"))
    assert "log: /srv/guard/data/rehearsals/" in well and "note:" not in well
    said = "cannot make the folder /opt/guard (Read-only file system)"
    assert said in refused and "until then it is kept in /tmp/" in refused and "cue:" in refused
    assert said in kept and "Traceback" not in well + refused + kept


def _enter_a_group_of_its_own() -> None:
    for hierarchy in ("systemd", "unified", "."):
        if (CGROUPS / hierarchy / "cgroup.procs").exists():
            (CGROUPS / hierarchy / "guard-test").mkdir(exist_ok=True)
            (CGROUPS / hierarchy / "guard-test" / "cgroup.procs").write_text(str(os.getpid()))


SERVICE_LIFE = """
set -u
mount -t tmpfs tmpfs /run
mkdir -p /run/systemd/system /run/user/0 /run/dbus /var/lib/systemd/linger; chmod 700 /run/user/0
mount -t tmpfs tmpfs /var/lib/systemd/linger; touch /var/lib/systemd/linger/root
export XDG_RUNTIME_DIR=/run/user/0 HOME="$WORK/home"; mkdir -p "$HOME"
unset XDG_CONFIG_HOME DBUS_SESSION_BUS_ADDRESS GUARD_HOME SUDO_USER
systemd="$(PATH=/usr/lib/systemd:/lib/systemd command -v systemd)"
GUARD_SOUND=off "$systemd" --user --log-target=null & manager=$!
for i in $(seq 100); do [ -S /run/user/0/systemd/private ] && break; sleep .1; done
show() { systemctl --user show -P "$1" heart-rate-guard; }
logs() { ls "$FILES/data/sessions" 2>/dev/null | wc -l; }
pi() { bash "$PI" "$@"; }
FILES="$WORK/my files%"
pi install --home "$FILES" >"$WORK/first"
echo "before settings: $(show ActiveState)"
env GUARD_HOME="$FILES" "$PYTHON" -m guard settings ceiling_bpm=139 >/dev/null
env GUARD_HOME="$FILES" "$PYTHON" -c "from guard.devices.remembered import remember
from guard.devices.seen import Strap
remember(Strap('Invented strap', '$STRAP'), 'strap')"
pi install --home "$FILES" >"$WORK/second"; sleep 3
echo "without strap: $(show ActiveState), $(logs) logs"
touch "$WORK/strap please"
for i in $(seq 300); do [ "$(logs)" = 1 ] && break; sleep .1; done; sleep 4
kill -9 "$(show MainPID)"
for i in $(seq 300); do [ "$(logs)" = 2 ] && break; sleep .1; done; sleep 4
echo "after a crash: $(show ActiveState), started again $(show NRestarts)"
systemctl --user stop heart-rate-guard
echo "stopped: $(show Result), exit $(show ExecMainStatus)"
sed -i s/139/9999/ "$FILES/config/settings.toml"; pi restart >/dev/null; sleep 8
echo "wrong setting: $(show ActiveState), started again $(show NRestarts)"
pi uninstall >"$WORK/third"; echo "left: $(find "$HOME/.config/systemd" -name '*guard*' | wc -l)"
kill -s RTMIN+24 "$manager"; wait "$manager"
"""


@pytest.mark.slow
@needs_root
@pytest.mark.skipif(not Path("/usr/lib/systemd/systemd").exists(), reason="systemd is not installed")
def test_the_service_under_a_real_user_systemd():
    """Installed, waiting, crashed and started again, stopped, refused, uninstalled: by systemd itself."""
    with tempfile.TemporaryDirectory() as folder, start_bluez() as bluez:
        work = Path(folder)
        process = subprocess.Popen(
            ["unshare", "-m", "-C", "bash", "-c", SERVICE_LIFE],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT, text=True, cwd=ROOT, preexec_fn=_enter_a_group_of_its_own,
            env={**os.environ, **bluez.env, "WORK": folder, "PI": str(PI), "STRAP": STRAP,
                 "PYTHON": sys.executable})
        while not (work / "strap please").exists() and process.poll() is None:
            time.sleep(0.1)
        bluez.add_strap(STRAP, "Invented strap", bpm=120, interval_s=0.5)
        said, _ = process.communicate(timeout=120)
        logs = [path.read_text().splitlines() for path in sorted((work / "my files%").rglob("*.jsonl"))]
        first, third = (work / "first").read_text(), (work / "third").read_text()
    for line in ("before settings: inactive", "without strap: active, 0 logs",
                 "after a crash: active, started again 1", "stopped: success, exit 0",
                 "wrong setting: failed, started again 0", "left: 0"):
        assert line in said.splitlines(), said
    assert first.count("STILL TO DO") == 2 and "no longer starts at boot" in third
    sessions = [log for log in logs if '"type":"session"' in log[0]]
    assert len(sessions) == 2 and '"type":"end"' in sessions[1][-1]


@pytest.mark.slow
@needs_root
def test_a_small_board_is_enough(capsys: pytest.CaptureFixture[str]):
    """512 MiB and a quarter of one core of this machine: no reading late, the same cues as on any other."""
    found = runpy.run_path(str(HARDWARE / "measure.py"))["measure"](2.5, 512, 25.0)
    with capsys.disabled():
        print(f"\n{found}")
    assert found["peak_mib"] < 300 and found["late_readings"] == 0 and found["replays_the_same"]
    assert "ease" in found["cues"] and found["exit_code"] == 0
