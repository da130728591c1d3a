"""Work for a scheduler's workers: the same results as here, whatever is lost on the way.

    .venv/bin/python -m pytest -m slow -n 0 -s tests/test_workers.py

Against a real scheduler and real worker processes on the loopback address.
"""

from __future__ import annotations

import json
import os
import pickle
import random
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from guard.cli import main
from guard.errors import GuardError, HardwareError, InputError, UsageError
from guard.settings import Settings
from guard.tune.source import LoggedRun
from guard.workers.pool import Interrupted, Pool
from guard.workers.workers import workers
from tests.support.alsa import wait_until
from tests.support.recordings import FOLDER as RECORDINGS
from tests.support.workers import (
    ROOT,
    cluster,
    doubled,
    fatal,
    hopeless,
    run_guard,
    trail_of,
    unevenly,
)

pytest.importorskip("distributed", reason="needs distributed (the extra `many`)")

from guard.workers import scheduler
from guard.workers.scheduler import Scheduler

TUNED = [str(RECORDINGS / f"{name}.jsonl") for name in ("garage-treadmill", "hill-loop", "hot-afternoon")]
QUICK = ("--tries", "4", "--runners", "4", "--json")


# --- without a scheduler --------------------------------------------------------------


@pytest.mark.parametrize("address", ["localhost:8786", "tcp://here", "http://h:1", "tcp://h:1;x", "inproc://x"])
def test_an_address_of_another_form_is_refused(address):
    with pytest.raises(UsageError, match="--workers takes tcp://HOST:PORT"):
        workers(address, 1)


def test_no_scheduler_is_one_sentence(monkeypatch, capsys, tmp_path):
    monkeypatch.setattr(scheduler, "CONNECT_S", 0.3)
    monkeypatch.setenv("GUARD_HOME", str(tmp_path))
    assert main(["tune", *TUNED, *QUICK, "--workers", "tcp://127.0.0.1:9"]) == 4
    shown = capsys.readouterr()
    assert "no scheduler answers at tcp://127.0.0.1:9" in shown.err and "dask scheduler" in shown.err
    assert shown.err.count("\n") == 1 and shown.out == ""


@pytest.mark.parametrize("words", [
    ["tune", TUNED[0], "--workers", "tcp://h:1", "--jobs", "2"], ["progress", "--workers", "tcp://h:1"]])
def test_what_does_not_go_together_is_said(words, capsys):
    assert main(words) == 2 and "--workers" in capsys.readouterr().err


def test_without_the_package_the_fix_is_named(monkeypatch):
    monkeypatch.setattr("guard.workers.workers.find_spec", lambda name: None)
    with pytest.raises(HardwareError, match=r"heart-rate-guard\[many\]"):
        workers("tcp://127.0.0.1:9", 1)


def test_what_differs_is_named_first_things_first():
    ours = scheduler.about()
    assert scheduler.difference(ours, dict(ours)) == ""
    said = f"numpy is 1.0 there and {ours['numpy']} here"
    assert scheduler.difference(ours, {**ours, "numpy": "1.0"}) == said
    assert "rounds otherwise" in scheduler.difference(ours, {**ours, "arithmetic": "0"})
    assert "is missing there" in scheduler.difference(ours, {})


def test_a_log_travels_as_its_bytes_and_work_as_a_name(tmp_path):
    """Nothing of it is code: what is no function of a module cannot be handed over at all."""
    path = tmp_path / "run.jsonl"
    path.write_bytes(Path(TUNED[0]).read_bytes())
    there = pickle.loads(pickle.dumps((doubled, LoggedRun(str(path), Settings(ceiling_bpm=139)))))
    path.unlink()
    assert there[0] is doubled and there[1].read().recording.items
    with pytest.raises((pickle.PicklingError, AttributeError)):
        pickle.dumps(lambda piece, stop: piece)


@pytest.mark.parametrize("error", [
    InputError("a", "b"), UsageError("takes it", option="--x"), HardwareError("gone"), GuardError("x", "y")])
def test_errors_travel_whole(error):
    back = pickle.loads(pickle.dumps(error))
    assert type(back) is type(error) and str(back) == str(error) and back.exit_code == error.exit_code


def test_dask_says_nothing_of_its_own():
    """In a process of its own, as its loading sets how much is logged."""
    code = ("import contextlib, logging\nfrom guard.errors import HardwareError\n"
            "from guard.workers import scheduler\nscheduler.CONNECT_S = 0.1\n"
            "with contextlib.suppress(HardwareError), scheduler.Scheduler('tcp://127.0.0.1:9'): pass\n"
            "for name in ('client', 'batched', 'core', 'of.later'):\n"
            "    assert not logging.getLogger('distributed.' + name).isEnabledFor(logging.CRITICAL), name\n")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


# --- on a real scheduler ---------------------------------------------------------------


def test_two_workers_give_what_this_process_gives(tmp_path):
    """The small one of every day: order, an error as one sentence, and no code of ours left behind."""
    with cluster(tmp_path / "dask", 2) as two, Scheduler(two.address) as far, Pool(1) as here:
        told: list[int] = []
        shares: list[float] = []
        pieces = list(range(40))
        found = far.run(doubled, pieces, None, shares.append, lambda number, _: told.append(number))
        assert found == here.run(doubled, pieces)
        assert sorted(told) == pieces and shares == sorted(shares) and shares[-1] == 1.0
        with pytest.raises(InputError, match=r"^some\.jsonl is no log: name another$"):
            far.run(hopeless, [1])


slow = pytest.mark.slow


@pytest.fixture(scope="module", params=[2, 4])
def some(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Any:
    with cluster(tmp_path_factory.mktemp("dask"), request.param) as one:
        yield one


def told(words: list[str], home: Path) -> str:
    done = subprocess.run([sys.executable, *words], capture_output=True, text=True, cwd=ROOT,
                          env={**os.environ, "GUARD_HOME": str(home), "OPENBLAS_NUM_THREADS": "1"})
    assert done.returncode == 0, done.stderr
    return done.stdout


@slow
@pytest.mark.parametrize("files", [1, 3])
def test_tuning_is_the_same_to_the_last_bit(some, files, tmp_path):
    words = ["-m", "guard", "tune", *TUNED[:files], *QUICK]
    assert told([*words, "--workers", some.address], tmp_path) == told([*words, "--jobs", "1"], tmp_path)


@slow
def test_the_benchmark_is_the_same_to_the_last_bit(some, tmp_path):
    words = ["-m", "tests.lab.guarding", "--runners", "2", "--kinds", "middle", "small easer", "relapse"]
    for name, more in (("far", ["--workers", some.address]), ("here", [])):
        told([*words, *more, "--json", str(tmp_path / name)], tmp_path)
    assert (tmp_path / "far").read_bytes() == (tmp_path / "here").read_bytes()


@pytest.fixture(scope="module")
def group(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from tests.test_progress import year

    folder = tmp_path_factory.mktemp("group")
    for seed in range(6):
        year.make(folder / f"runner-{seed}", seed=seed, weeks=26)
    return folder


@slow
def test_many_runners_are_the_same_to_the_last_bit(some, group, tmp_path):
    words = ["-m", "guard", "progress", "--runners", str(group), "--json"]
    far = told([*words, "--workers", some.address], tmp_path / "far")
    assert far == told(words, tmp_path / "here")

    def kept(home: Path) -> list[bytes]:
        return sorted(path.read_bytes() for path in (tmp_path / home / "cache" / "roster").iterdir())

    assert kept(Path("far")) == kept(Path("here")) and len(kept(Path("far"))) == 6


@slow
def test_whatever_order_they_arrive_in(some, tmp_path):
    chance = random.Random(3)
    pieces = [(number, chance.uniform(0.0, 0.3), str(tmp_path / "trail")) for number in range(40)]
    arrived: list[int] = []
    with Scheduler(some.address) as far:
        found = far.run(unevenly, pieces, took=lambda number, _: arrived.append(number))
    assert found == [number * number for number in range(40)] and arrived != sorted(arrived)


@slow
def test_a_worker_killed_at_work_costs_only_time(tmp_path):
    """Its piece is done again by another, and counts once."""
    trail = tmp_path / "trail"
    with cluster(tmp_path / "dask", 2) as two, Scheduler(two.address) as far:
        arrived: list[int] = []

        def took(number: int, result: int) -> None:
            if not arrived:
                begun = trail_of(trail)
                victim = next(one for one in two.workers if one.pid == begun[-1][1])
                victim.kill()
                victim.wait()
            arrived.append(number)

        pieces = [(number, 0.5, str(trail)) for number in range(10)]
        assert far.run(unevenly, pieces, took=took) == [number * number for number in range(10)]
    begun = [number for number, _ in trail_of(trail)]
    assert sorted(arrived) == list(range(10)) and len(begun) > len(set(begun)) == 10


@slow
def test_a_piece_that_kills_every_worker_is_given_up(tmp_path):
    with cluster(tmp_path / "dask", 5) as five, Scheduler(five.address) as far, \
            pytest.raises(Interrupted) as stopped:
        far.run(fatal, [1])
    assert "ended several workers" in str(stopped.value.why)


@slow
def test_no_worker_and_none_any_more_are_said(tmp_path, monkeypatch):
    monkeypatch.setattr(scheduler, "CONNECT_S", 3.0)
    monkeypatch.setattr(scheduler, "NO_WORKER_S", 1.0)
    with cluster(tmp_path / "dask", 0) as none:
        with pytest.raises(HardwareError, match="has no worker: start some with"), Scheduler(none.address):
            pass
        none.join()
        none.ready()
        with Scheduler(none.address) as far, pytest.raises(Interrupted) as stopped:
            far.run(unevenly, [(1, 0.2, str(tmp_path / "trail")), (2, 60.0, str(tmp_path / "trail"))],
                    took=lambda number, result: none.workers[0].kill())
    assert stopped.value.done == [(0, 1)] and "has no worker any more" in str(stopped.value.why)


@slow
def test_a_scheduler_that_goes_costs_only_what_was_not_finished(group, tmp_path):
    home = tmp_path / "home"
    kept = home / "cache" / "roster"
    words = ["progress", "--runners", str(group), "--json"]
    with cluster(tmp_path / "dask", 1) as one:
        running = run_guard([*words, "--workers", one.address], home)
        wait_until(lambda: kept.exists() and any(kept.iterdir()), 60, "a runner")
        one.scheduler.kill()
        out, err = running.communicate(timeout=60)
    assert running.returncode == 4 and out == "" and err.count("\n") == 1
    assert "is gone" in err and "what was finished is kept" in err
    done = len(list(kept.glob("*.json")))
    assert 0 < done < 6
    assert told(["-m", "guard", *words], home) == told(["-m", "guard", *words], tmp_path / "other")


@slow
def test_tuning_shows_what_was_found_when_the_scheduler_goes(tmp_path):
    with cluster(tmp_path / "dask", 1) as one:
        words = ["tune", *TUNED, "--view", "recorded", "--tries", "3000", "--workers", one.address]
        running = run_guard(words, tmp_path / "home")
        time.sleep(12)
        one.scheduler.kill()
        out, err = running.communicate(timeout=120)
    assert running.returncode == 4 and "is gone" in err and "Traceback" not in err + out


@slow
@pytest.mark.parametrize("change, said", [
    ("import guard; guard.__version__ = '0.0.9'", "guard is 0.0.9 there and"),
    ("import guard.workers.scheduler as a; a.arithmetic = lambda: 1", "it rounds otherwise"),
    ("import os, time; os.environ['TZ'] = 'Asia/Tokyo'; time.tzset()", "the time zone is +0900 there and"),
    ("import sys; sys.modules['guard'] = None", "it lacks the guard"),
])
def test_a_worker_that_does_not_fit_is_named(tmp_path, change, said):
    (tmp_path / "change.py").write_text(change + "\n")
    with cluster(tmp_path / "dask", 0) as one:
        one.join("--preload", str(tmp_path / "change.py"))
        one.ready()
        with pytest.raises(HardwareError) as refused, Scheduler(one.address):
            pass
    assert "the worker tcp://127.0.0.1:" in str(refused.value) and said in str(refused.value)
    assert "install the same versions" in str(refused.value)


@slow
def test_one_that_joins_later_and_does_not_fit_gives_no_result(tmp_path):
    (tmp_path / "change.py").write_text("import guard\nguard.__version__ = '0.0.9'\n")
    with cluster(tmp_path / "dask", 1) as one, Scheduler(one.address) as far:
        def took(number: int, result: int) -> None:
            if len(one.workers) == 1:
                one.join("--preload", str(tmp_path / "change.py"))

        with pytest.raises(Interrupted) as stopped:
            far.run(unevenly, [(number, 0.2, str(tmp_path / "trail")) for number in range(400)], took=took)
    assert "guard is 0.0.9 there" in str(stopped.value.why)
    assert all(result == number * number for number, result in stopped.value.done)


@slow
def test_a_folder_that_the_workers_do_not_see_is_said(tmp_path, group):
    """A worker without the folder: in a mount namespace of its own there is nothing at its place."""
    if subprocess.run(["unshare", "-m", "true"], capture_output=True).returncode:
        pytest.skip("mount namespaces are not permitted here")
    with cluster(tmp_path / "dask", 0) as one:
        command = f"mount -t tmpfs none {group} && exec {sys.executable} -m dask worker {one.address} " \
                  f"--nthreads 1 --no-nanny --host 127.0.0.1 --no-dashboard --local-directory {one.folder}"
        one.workers.append(subprocess.Popen(
            ["unshare", "-m", "sh", "-c", command], cwd=ROOT, stderr=subprocess.DEVNULL,
            env={**os.environ, **one.env, "PYTHONPATH": str(ROOT)}))
        one.ready()
        done = run_guard(["progress", "--runners", str(group), "--workers", one.address], tmp_path / "home")
        _, err = done.communicate(timeout=120)
    assert done.returncode == 4 and "does not see" in err and "share the folder" in err


@slow
def test_ctrl_c_ends_it_shows_what_is_done_and_leaves_the_workers(tmp_path):
    """On a terminal of its own, so that the bar is drawn."""
    import pty

    with cluster(tmp_path / "dask", 2) as two:
        main_end, other = pty.openpty()
        running = subprocess.Popen(
            [sys.executable, "-m", "guard", "tune", *TUNED, "--view", "respond", "--tries", "3000",
             "--runners", "200", "--workers", two.address],
            stdout=subprocess.PIPE, stderr=other, cwd=ROOT, env={**os.environ, "GUARD_HOME": str(tmp_path)})
        os.close(other)
        seen = b""
        while b"wide search" not in seen or b" 0 %" in seen[-200:]:
            seen += os.read(main_end, 4096)
        running.send_signal(signal.SIGINT)
        out, _ = running.communicate(timeout=60)
        assert running.returncode == 130 and b"Traceback" not in out + seen
        with Scheduler(two.address) as far:
            assert far.jobs == 2 and far.run(doubled, [1, 2, 3]) == [2, 4, 6]


def certificates(folder: Path) -> dict[str, str]:
    """A key and a certificate for 127.0.0.1, its own authority, and where Dask is told of them."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "invented")])
    now = datetime.now(UTC)
    certificate = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
        .serial_number(1).not_valid_before(now - timedelta(days=1)).not_valid_after(now + timedelta(days=1))
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256()))
    (folder / "cert.pem").write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    (folder / "key.pem").write_bytes(key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()))
    parts = {f"DASK_DISTRIBUTED__COMM__TLS__{who}__{what}": str(folder / f"{what.lower()}.pem")
             for who in ("SCHEDULER", "WORKER", "CLIENT") for what in ("CERT", "KEY")}
    return {**parts, "DASK_DISTRIBUTED__COMM__TLS__CA_FILE": str(folder / "cert.pem"),
            "DASK_DISTRIBUTED__COMM__REQUIRE_ENCRYPTION": "true"}


@slow
def test_with_certificates_it_is_encrypted_and_without_nobody_gets_in(tmp_path, monkeypatch):
    env = certificates(tmp_path)
    words = ["tune", TUNED[0], *QUICK, "--view", "recorded"]
    with cluster(tmp_path / "dask", 1, "tls", **env) as one:
        assert one.address.startswith("tls://")
        refused = run_guard([*words, "--workers", one.address], tmp_path / "home")
        assert refused.communicate(timeout=60)[1].startswith("guard: no scheduler answers at tls://")
        assert refused.returncode == 4
        for name, value in env.items():
            monkeypatch.setenv(name, value)
        let_in = run_guard([*words, "--workers", one.address], tmp_path / "home")
        out, err = let_in.communicate(timeout=120)
        assert let_in.returncode == 0, err
    assert json.loads(out)["as_recorded"]


@slow
def test_overhead_of_a_task_and_of_its_bytes(tmp_path):
    """What it costs to hand over a piece that does nothing, small and as large as a recording."""
    log = Path(TUNED[0]).read_bytes()
    with cluster(tmp_path / "dask", 2) as two, Scheduler(two.address) as far:
        far.run(doubled, list(range(50)))
        begun = time.perf_counter()
        far.run(doubled, list(range(500)))
        small_s = (time.perf_counter() - begun) / 500
        begun = time.perf_counter()
        far.run(_length, [log * max(1, round(400_000 / len(log)))] * 100)
        large_s = (time.perf_counter() - begun) / 100
    print(f"overhead a task: {1e3 * small_s:.1f} ms, with 400 kB of a recording {1e3 * large_s:.1f} ms")
    assert small_s < 0.1 and large_s < 0.3


def _length(piece: bytes, stop: Any) -> int:
    return len(piece)


@slow
def test_local_processes_end_with_their_parent(tmp_path):
    """Killed outright, it leaves nobody behind who waits for work."""
    trail = tmp_path / "trail"
    code = ("from guard.workers.pool import Pool\nfrom tests.support.workers import unevenly\n"
            "if __name__ == '__main__':\n    with Pool(2) as pool:\n"
            f"        pool.run(unevenly, [(n, 0.1, {str(trail)!r}) for n in range(9999)])\n")
    parent = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT)
    wait_until(lambda: len({process for _, process in trail_of(trail)}) == 2, 60, "two processes")
    parent.kill()
    parent.wait()
    for process in {process for _, process in trail_of(trail)}:
        wait_until(lambda process=process: not Path(f"/proc/{process}").exists(), 20, "its end")
