"""What the README shows is true: its case, its commands, its tables and its Python."""

from __future__ import annotations

import re

import pytest
from places import ROOT

import simulate as sf
from simulate.cli import main

TEXT = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", TEXT, re.DOTALL | re.MULTILINE)


def test_the_whole_case_is_one(tmp_path):
    (text,) = blocks("toml")
    case = sf.parse_case(text)
    assert case.title == "A ring on brass"
    assert case.supply.after().current_limit == pytest.approx(0.4)


def test_every_case_is_in_the_table_and_no_other():
    (table,) = re.findall(r"^\| case \|.*?\n\n", TEXT, re.DOTALL | re.MULTILINE)
    assert sorted(re.findall(r"`([a-z_]+\.toml)`", table)) == sorted(
        file.name for file in (ROOT / "cases").glob("*.toml")
    )


def test_files_that_are_pointed_at_are_there():
    for target in re.findall(r"\]\(([^)]+)\)", TEXT):
        assert (ROOT / target).is_file(), target


def test_the_commands_on_a_plate_of_ones_own_are_understood(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    lines = [line.split("#")[0].split() for block in blocks("") for line in block.splitlines()]
    ours = [words[1:] for words in lines if words and words[0] == "swabfield"]
    assert [words[0] for words in ours] == ["start", "check", "etch"]
    assert [main(words) for words in ours[:2]] == [0, 0]


def test_every_command_is_shown(capsys):
    with pytest.raises(SystemExit):
        main(["--help"])
    listing = capsys.readouterr().out.split("COMMAND\n")[1].split("\n\n")[0]
    commands = {line.split()[0] for line in listing.splitlines()}
    shown = set(re.findall(r"\bswabfield ([a-z]+)\b", TEXT))
    assert commands == shown, "the README names each command, and no other"


def test_the_make_targets_are_those_of_tools(monkeypatch):
    monkeypatch.syspath_prepend(str(ROOT))
    import tools

    named = set(re.findall(r"(?:make|tools\.py) ([a-z]+)", TEXT))
    assert {"demo", "test"} <= named <= set(tools.TASKS)
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    assert set(tools.TASKS) <= set(
        re.search(r"^([a-z ]+):\n\t@", makefile, re.MULTILINE)[1].split()
    )


def test_the_python_of_a_run_runs(tmp_path, monkeypatch, capsys):
    (program,) = [block for block in blocks("python") if "read_case" in block]
    monkeypatch.chdir(tmp_path)
    (tmp_path / "cases").mkdir()
    name = "cases/press_and_hold.toml"
    (tmp_path / name).write_text((ROOT / name).read_text(encoding="utf-8"), encoding="utf-8")
    exec(compile(program, "README.md", "exec"), {})
    assert "'unit': 'm'" in capsys.readouterr().out
    assert (tmp_path / "press.nc").exists()
