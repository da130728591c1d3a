"""The shell completes commands, options, files and names; `--version` says what a report needs."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from guard import __version__
from guard.cli import main
from guard.commands.arguments import COMMANDS
from tests.support.keep import guard_here

SHELLS = ("bash", "zsh", "fish")
TYPED = {"guard rev": "review", "guard settings stal": "stale_s", "guard replay x --ver": "--verify",
         "guard rehearse --course hi": "hill-loop", "guard review RUN": "RUN.jsonl"}


@pytest.fixture(scope="module")
def scripts(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    home = tmp_path_factory.mktemp("home")
    return {shell: guard_here("completion", shell, home=home).stdout for shell in SHELLS}


def asked(shell: str, script: Path, line: str, folder: Path) -> str:
    if shutil.which(shell) is None:
        pytest.skip(f"{shell} is not installed here")
    words = line.split()
    ask = {
        "bash": f"source {script}; COMP_WORDS=({line}); COMP_CWORD={len(words) - 1}; "
                f'COMP_LINE="{line}"; COMP_POINT={len(line)}; _shtab_guard; echo "${{COMPREPLY[@]}}"',
        "fish": f'source {script}; complete -C "{line}"',
    }[shell]
    done = subprocess.run([shell, "-c", ask], capture_output=True, text=True, cwd=folder, timeout=20,
                          check=True, env={**os.environ, "HOME": str(folder)})
    return done.stdout


@pytest.mark.parametrize("shell", ["bash", "fish"])
def test_the_shell_itself_completes(shell: str, scripts: dict[str, str], tmp_path: Path) -> None:
    (tmp_path / "RUN.jsonl").touch()
    script = tmp_path / "script"
    script.write_text(scripts[shell])
    for line, wanted in TYPED.items():
        assert wanted in asked(shell, script, line, tmp_path), line


def test_zsh_registers_it(scripts: dict[str, str], tmp_path: Path) -> None:
    if shutil.which("zsh") is None:
        pytest.skip("zsh is not installed here")
    (tmp_path / "script").write_text(scripts["zsh"])
    start = f'autoload -Uz compinit && compinit -u\neval "$(cat {tmp_path}/script)"\n'
    (tmp_path / ".zshrc").write_text(start)
    ask = ["zsh", "-i", "-c", "echo ${_comps[guard]}"]
    done = subprocess.run(ask, capture_output=True, text=True, timeout=20,
                          stdin=subprocess.DEVNULL, check=False, env={**os.environ, "ZDOTDIR": str(tmp_path)})
    assert done.stdout.split() == ["_shtab_guard"], done.stderr


def test_every_command_is_in_every_script(scripts: dict[str, str]) -> None:
    for shell, script in scripts.items():
        assert all(name in script for name in COMMANDS), shell
        assert str(Path.home()) not in script


def test_version_says_what_it_runs_on(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(["--version"])
    said = capsys.readouterr().out
    assert end.value.code == 0 and said.startswith(f"guard {__version__}\n")
    assert f"Python {sys.version.split()[0]}" in said and "bleak " in said and "rich " in said
    assert str(Path.home()) not in said and os.uname().nodename not in said.replace("localhost", "")


def test_wrong_use_is_one_sentence_and_a_closed_pipe_no_error(tmp_path: Path) -> None:
    wrong = guard_here("replay", home=tmp_path)
    assert wrong.returncode == 2 and wrong.stderr.count("\n") == 1 and "guard replay --help" in wrong.stderr
    env = {**os.environ, "GUARD_HOME": str(tmp_path)}
    shown = subprocess.run([sys.executable, "-m", "guard", "ceiling", "--age", "40"], stdout=subprocess.PIPE,
                           env=env, stdin=subprocess.DEVNULL, check=True).stdout
    assert len(shown) > 1000
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run([sys.executable, "-m", "guard", "ceiling", "--age", "40"], stdout=write, timeout=30,
                          stderr=subprocess.PIPE, env=env, stdin=subprocess.DEVNULL, check=False)
    os.close(write)
    assert done.returncode == 0 and done.stderr == b"", done
