"""The settings file and command: nothing wrong is kept, nothing kept is lost."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from guard.cli import main
from guard.errors import InputError, SettingError, Trouble
from guard.settings import RETIRED, RetiredSetting, Settings, table
from guard.settings import file as settings_file
from tests.support.documents import check_listed
from tests.support.keep import guard_cli, guard_here


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("GUARD_HOME", str(tmp_path))
    return tmp_path / "config" / "settings.toml"


def test_without_a_file_there_is_nothing_to_load(path: Path) -> None:
    assert settings_file.load() == {}
    assert not path.parent.exists()  # asking makes no folder


def test_what_is_saved_is_loaded(path: Path) -> None:
    values = {"ceiling_bpm": 139, "walking": False, "voice": "de", "words": 0.1 + 0.2}
    assert settings_file.save(values) == path
    assert settings_file.load() == values
    if os.name == "posix":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    settings_file.save({"walking": None, "ceiling_bpm": 141})
    assert settings_file.load() == {"ceiling_bpm": 141.0, "voice": "de", "words": 0.1 + 0.2}
    assert list(path.parent.iterdir()) == [path]  # no half-written file is left


@given(st.fixed_dictionaries({}, optional={
    entry.key: st.sampled_from(entry.choices) if entry.choices
    else st.booleans() if entry.kind is bool
    else st.integers(int(entry.low or 0), int(entry.high or 0)) if entry.kind is int
    else st.floats(entry.low or 0, entry.high or 0) if entry.kind is float
    else st.text(st.characters(categories=["L", "N", "P", "Zs"]), max_size=40).filter(
        lambda text: text.isprintable() and text == text.strip())
    for entry in table() if entry.key not in ("floor_bpm", "stop_bpm", "stale_s", "lost_s")}))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_every_setting_goes_through_the_file(tmp_path: Path, values: dict[str, object]) -> None:
    path = tmp_path / "settings.toml"
    path.unlink(missing_ok=True)
    settings_file.save(values, path)
    assert settings_file.load(path) == values
    assert Settings(**settings_file.load(path)) == Settings().replaced(values)


def test_comments_and_order_survive(path: Path) -> None:
    path.parent.mkdir(parents=True)
    path.write_text("# mine\nwords = 0 # quick legs\n\nceiling_bpm = 139\n")
    settings_file.save({"words": 0.3, "belt": True})
    assert path.read_text() == "# mine\nwords = 0.3 # quick legs\n\nceiling_bpm = 139\nbelt = true\n"


@pytest.mark.skipif(os.name != "posix", reason="links")
def test_a_linked_file_stays_a_link(path: Path, tmp_path: Path) -> None:
    path.parent.mkdir(parents=True)
    (tmp_path / "elsewhere.toml").write_text("words = 0\n")
    path.symlink_to(tmp_path / "elsewhere.toml")
    settings_file.save({"words": 0.16})
    assert path.is_symlink() and "0.16" in (tmp_path / "elsewhere.toml").read_text()


@pytest.mark.parametrize(("text", "words"), [
    ("wrods = 1", ["unknown setting 'wrods'", "did you mean words"]),
    ("spacing_s = 200", ["spacing_s is 200", "0 to 120 s"]),
    ('spacing_s = "20"', ["spacing_s is '20'", "0 to 120 s"]),
    ("words = nan", ["words is nan"]),
    ("words = [1]", ["words must be a single value"]),
    ("[deciding]\nwords = 1", ["unknown setting 'deciding'"]),
    ("belt = 1", ["belt is '1'", "true or false"]),
    ("speech_rate_wpm = 150.5", ["whole number"]),
    ("units = \"furlong\"", ["km, mile"]),
    ('voice = "a\\u001bb"', ["cannot be printed"]),
    ("ceiling_bpm = 120\nfloor_bpm = 130", ["floor_bpm 130 must lie under ceiling_bpm 120"]),
    ("words = ", ["not valid TOML", "Invalid value"]),
    ("belt = true\nwords = = 3", ["not valid TOML", "line 2"]),
    ("words = 0\nwords = 1", ["not valid TOML"]),
    ("a = " + "[" * 3000, ["not valid TOML"]),
    ("words = " + "9" * 5000, ["far too large"]),
    ("words = " + "9" * 400, ["words"])])
def test_a_wrong_file_is_named_with_the_fix(path: Path, text: str, words: list[str]) -> None:
    path.parent.mkdir(parents=True)
    path.write_text(text)
    with pytest.raises(SettingError) as caught:
        settings_file.load()
    message = str(caught.value)
    assert str(path) in message and message.isprintable() and len(message) < 500
    for word in words:
        assert word in message


def test_bytes_that_are_no_text(path: Path) -> None:
    path.parent.mkdir(parents=True)
    path.write_bytes(b"words = 1\nvoice = \"\xff\"\n")
    with pytest.raises(SettingError, match=r"UTF-8 text \(line 2\)"):
        settings_file.load()
    path.write_bytes(b"\xef\xbb\xbfwords = 1\n")  # as some editors save it
    assert settings_file.load() == {"words": 1.0}
    path.write_bytes(b"#" * (2 << 20))
    with pytest.raises(InputError, match="far too large"):
        settings_file.load()


def test_none_is_a_value_where_there_may_be_none(path: Path) -> None:
    path.parent.mkdir(parents=True)
    path.write_text('floor_bpm = "none"\n')
    assert settings_file.load() == {}


def test_nothing_is_written_when_a_change_does_not_fit(path: Path) -> None:
    settings_file.save({"floor_bpm": 110})
    before = path.read_bytes()
    with pytest.raises(SettingError, match="floor_bpm 110 must lie under"):
        settings_file.save({"ceiling_bpm": 100})
    with pytest.raises(SettingError, match="words"):
        settings_file.save({"ceiling_bpm": 150, "words": 900})
    assert path.read_bytes() == before


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="POSIX permissions")
def test_a_folder_where_the_file_should_be(path: Path) -> None:
    path.mkdir(parents=True)
    with pytest.raises(InputError, match="directory"):
        settings_file.load()


def test_the_command(tmp_path: Path) -> None:
    listed = guard_cli("settings", home=tmp_path)
    assert listed.returncode == 0
    for entry in table():
        assert entry.key in listed.stdout
    kept = guard_cli("settings", "spacing_s=25", "floor_bpm=110", home=tmp_path)
    assert kept.returncode == 0 and "spacing_s = 25 s (from the settings file)" in kept.stdout
    explained = guard_cli("settings", "spacing_s", home=tmp_path).stdout
    assert "least time" in explained and "0 to 120 s" in explained
    assert "25 s (from the settings file)" in explained
    document = json.loads(guard_cli("settings", "--json", home=tmp_path).stdout)
    check_listed("guard/commands/README.md", "settings", document)
    rows = {row["key"]: row for row in document["settings"]}
    assert document["format"] == 1 and list(rows) == [entry.key for entry in table()]
    assert list(rows)[:3] == ["strictness", "words", "walk_first"], "the dials come first"
    assert rows["spacing_s"]["value"] == 25 and rows["spacing_s"]["from"] == "file"
    assert rows["words"]["from"] == "default"
    assert guard_cli("settings", "--unset", "spacing_s", home=tmp_path).stdout.count("(the default)") == 1
    assert "guard ceiling" in guard_cli("settings", "ceiling_bpm", home=tmp_path).stdout


@pytest.mark.parametrize(("words", "said"), [
    (["wrods=1"], "did you mean words"), (["words=few"], "0 to 1"), (["x"], "unknown"),
    (["--unset", "wrod"], "did you mean"), (["words=1", "--unset", "words"], "at once"),
    (["lead_s=25"], "strictness sets"), (["--unset", "lead_s"], "strictness sets"),
    (["ceiling_bpm=100", "floor_bpm=120"], "must lie under")])
def test_the_command_refuses_in_one_sentence(
        path: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str) -> None:
    assert main(["settings", *words]) == 2
    out, err = capsys.readouterr()
    assert said in err and err.count("\n") == 1 and not out
    assert not path.exists()


def test_a_wrong_file_stops_other_commands_too(tmp_path: Path) -> None:
    (tmp_path / "config").mkdir()
    (tmp_path / "config" / "settings.toml").write_text("wrods = 1\n")
    refused = guard_cli("settings", home=tmp_path)
    assert refused.returncode == 2 and "settings.toml" in refused.stderr and "words" in refused.stderr


def test_a_file_without_end_is_never_read_whole(path: Path) -> None:
    path.parent.mkdir(parents=True)
    path.touch()
    os.truncate(path, 1 << 40)  # 1 TB of nothing, sparse
    with pytest.raises(InputError, match="far too large for a settings file: move it away"):
        settings_file.load()


@pytest.mark.parametrize("key", ["leed_s", "\u001b[2J", "zzz", "spech"])
def test_a_key_that_is_no_setting_costs_no_session(
    path: Path, key: str, capsys: pytest.CaptureFixture[str],
) -> None:
    path.parent.mkdir(parents=True)
    path.write_text(f"{json.dumps(key)} = 4\nceiling_bpm = 139\n")
    said: list[str] = []
    assert settings_file.load(leave_out=said.append) == {"ceiling_bpm": 139.0}
    assert len(said) == 1 and said[0].startswith(f"left out, from {path}: unknown setting")
    plan = path.parent / "hour.toml"
    assert main(["plan", "--make", "easy-hour", "-o", str(plan)]) == main(["plan", str(plan)]) == 0
    out, err = capsys.readouterr()
    assert "131 to 139" in out and err.startswith("note: left out, from") and "\x1b" not in err
    assert main(["settings"]) == 2  # here it is put right


@pytest.mark.parametrize("text", [
    "stop_bmp = 170", "ceiling = 139", "foor_bpm = 100", "words = 500", 'ceiling_bpm = "high"'])
def test_what_may_be_a_limit_or_is_wrong_is_never_left_out(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True)
    path.write_text(text)
    with pytest.raises(SettingError, match="unset"):
        settings_file.load(leave_out=pytest.fail)


RETIRED_TEXT = "# mine\n" + "".join(f"{key} = {value}\n" for key, value in (
    ("lead_s", 25), ("certainty", 0.7), ("settle_s", 8), ("resume_margin_bpm", 8), ("repeat_s", 18),
    ("walk_after_s", 140), ("budget_per_h", '"many"'), ("restart_response_s", 22))) + "ceiling_bpm = 139\n"


def test_every_retired_setting_says_in_one_short_line_what_became_of_it() -> None:
    now = {entry.key for entry in table()}
    assert not now & set(RETIRED) and len(RETIRED) == RETIRED_TEXT.count("=") - 1
    for key, line in RETIRED.items():
        assert f"{key} = " in RETIRED_TEXT and len(line) < 100 and line.isprintable()
        assert any(word in line for word in ("strictness", "words", "walk_first", "leave it out"))
        with pytest.raises(RetiredSetting, match=f"{key} is no longer a setting: "):
            Settings().replaced({key: 1.0})


def test_an_old_settings_file_opens_and_says_what_was_left_out(
        path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path.parent.mkdir(parents=True)
    path.write_text(RETIRED_TEXT)
    said: list[str] = []
    assert settings_file.load() == settings_file.load(leave_out=said.append) == {"ceiling_bpm": 139.0}
    assert len(said) == len(RETIRED)
    for key, sentence in zip(RETIRED, said, strict=True):
        assert sentence.startswith(f"left out, from {path}: {key} is no longer a setting: {RETIRED[key]}")
        assert sentence.endswith(f"(`guard settings --unset {key}` takes it out)")
    assert main(["settings"]) == 0  # here they are told too
    out, err = capsys.readouterr()
    assert err.count("\n") == len(RETIRED) and "lead_s" not in out
    assert main(["settings", "words=0.3", "--unset", "lead_s", "--unset", "budget_per_h"]) == 0
    text = path.read_text()
    assert "words = 0.3" in text and "lead_s" not in text and "budget" not in text and "settle_s = 8" in text


def test_a_retired_setting_asked_for_is_answered(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["settings", "lead_s"]) == 0
    out, err = capsys.readouterr()
    assert out == f"lead_s is no longer a setting: {RETIRED['lead_s']}\n" and not err
    assert main(["settings", "repeat_s", "words"]) == 0
    out, _ = capsys.readouterr()
    assert "repeat_s is no longer a setting" in out and "words: how many" in out
    assert main(["settings", "lead_s", "--json"]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out)["settings"] == [] and "no longer a setting" in err


@pytest.mark.parametrize("words", [
    ["ceiling_bpm=139"], ["ceiling_bpm", "139"], ["ceiling_bpm", "=", "139"], ["ceiling_bpm=", "139"],
    ["ceiling_bpm", "=139"], ["units", "mile", "ceiling_bpm", "139"],
])
def test_a_setting_is_kept_however_it_is_written(words: list[str], tmp_path: Path) -> None:
    done = guard_here("settings", *words, home=tmp_path)
    assert done.returncode == 0 and "ceiling_bpm = 139 bpm" in done.stdout
    assert settings_file.load(tmp_path / "config" / "settings.toml")["ceiling_bpm"] == 139.0


def test_two_keys_are_explained_and_a_second_value_is_refused(tmp_path: Path) -> None:
    asked = guard_here("settings", "stale_s", "ceiling_bpm", home=tmp_path)
    assert asked.returncode == 0
    assert "stale_s: so long" in asked.stdout and "ceiling_bpm: upper" in asked.stdout
    assert guard_here("settings", "ceiling_bpm", "139", "140", home=tmp_path).returncode == 2
    assert not (tmp_path / "config" / "settings.toml").exists()


@pytest.mark.parametrize(("voice", "trouble", "told"), [
    ("xx", Trouble("the speech engine has no voice 'xx'", "take another"), "no voice 'xx': take another"),
    ("it", None, "no phrases in the language it"), ("de", None, ""), ("en-gb", None, ""), ("Alex", None, "")])
def test_a_voice_that_will_not_do_is_told_when_it_is_set(
        path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
        voice: str, trouble: Trouble | None, told: str) -> None:
    monkeypatch.setattr("guard.sound.preflight.voice_trouble", lambda settings: trouble)
    assert main(["settings", f"voice={voice}"]) == 0
    assert settings_file.load() == {"voice": voice}
    assert (told in capsys.readouterr().err) if told else not capsys.readouterr().err
