"""Contract: what the README and DEVELOPERS.md show is what the program does."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import bad_days
import pytest
from local_server import LocalServer

pytestmark = pytest.mark.contract

TOP = Path(__file__).resolve().parents[1]
README = (TOP / "README.md").read_text(encoding="utf-8")


def test_the_brief_in_the_readme_is_the_brief_of_the_demonstration() -> None:
    words = [sys.executable, "-m", "wxgate", "brief", "--demo"]
    out = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    assert out.rstrip() in README


def test_every_command_of_the_readme_exists() -> None:
    from wxgate.cli.main import COMMANDS

    snippets = re.findall(r"(?<!`)`([^`\n]+)`", README) + README.splitlines()
    told = {m[1] for s in snippets if (m := re.match(r"wxgate ([a-z]+)\b", s))}
    assert told
    assert told <= set(COMMANDS) | {"looks"}, "a sentence begins with the program's name too"


def test_the_site_file_of_the_readme_is_a_site_file(tmp_path: Path) -> None:
    from wxgate.profiles import load_site

    block = re.search(r"```yaml\n(site:.*?)```", README, re.S)
    assert block is not None
    (tmp_path / "field.yaml").write_text(block[1], encoding="utf-8")
    assert load_site(tmp_path / "field.yaml").zone == "Europe/London"


def test_the_python_of_the_readme_runs(capsys: pytest.CaptureFixture[str]) -> None:
    block = re.search(r"```python\n(.*?)```", README, re.S)
    assert block is not None
    told: dict[str, object] = {}
    exec(block[1], told)  # noqa: S102 - our own text
    assert len(told["probability"]) == 300  # type: ignore[arg-type]
    assert capsys.readouterr().out


def test_the_crontab_line_is_one_that_cron_takes() -> None:
    (line,) = re.findall(r"^(\S+ \S+ \S+ \S+ \S+)  \S*wxgate watch .*$", README, re.M)
    # crontab(5): five fields of numbers, ranges, steps and stars.
    assert all(re.fullmatch(r"(\*|\d+(-\d+)?)(/\d+)?(,\d+)*", field) for field in line.split())


def test_its_first_two_commands_are_whole() -> None:
    blocks = re.findall(r"```sh\n(python3 -m venv.*?)```", README, re.S)
    assert len(blocks) == 2
    for block in blocks:
        assert shlex.split(block.replace("&&", " "))[:3] == ["python3", "-m", "venv"]
        assert block.count("\n") == 1, "one command, one line"


def test_the_top_level_is_as_it_should_be() -> None:
    listed = subprocess.run(
        ["git", "ls-files"], cwd=TOP, capture_output=True, text=True, check=False
    ).stdout.split()
    if not listed:
        pytest.skip("not a git checkout")
    top = {name.split("/")[0] for name in listed}
    allowed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "wxgate", "rules",
               "tests", "cached_forecasts"}  # fmt: skip
    assert {name for name in top if not name.startswith(".")} == allowed


#: What a reader types beside the commands that run as they stand: parts of sentences, and one that
#: writes into the files of a shell.
NOT_RUN = {
    "wxgate verify", "wxgate verify --offer", "wxgate replay", "wxgate --install-completion",
}  # fmt: skip
#: The services of the test keep no forecasts of last September.
ENDS_WITH = {"replay": 3}


def told_commands() -> list[str]:
    """Every command of the README that can be run, in its order, once."""
    found = []
    for block, words in re.findall(r"```sh\n(.*?)```|`(wxgate [^`]+)`", README, re.S):
        lines = block.replace("\\\n", " ").splitlines() if block else [" ".join(words.split())]
        found += [" ".join(shlex.split(line, comments=True)) for line in lines if "'" not in line]
        found += [line for line in lines if "'" in line]
    return [
        line for line in dict.fromkeys(found)
        if line.startswith("wxgate ") and "..." not in line and line not in NOT_RUN
    ]  # fmt: skip


@pytest.mark.slow
def test_every_command_of_the_readme_runs_in_its_order(
    wx: Callable[..., tuple[int, str, str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By a newcomer in an empty folder, with the files that the README says to write or copy."""
    now = datetime.now(UTC)
    run = (now - timedelta(hours=4)).replace(minute=0, second=0, microsecond=0)
    run = run.replace(hour=run.hour // 6 * 6)
    monkeypatch.setattr(bad_days, "RUN", run)
    monkeypatch.setattr(bad_days, "NOW", now.replace(minute=0, second=0, microsecond=0))
    monkeypatch.setattr(bad_days, "STEPS", range(110))  # lessons look four days ahead
    monkeypatch.chdir(tmp_path)
    (yaml,) = re.findall(r"```yaml\n(site:.*?)```", README, re.S)
    Path("field.yaml").write_text(yaml, encoding="utf-8")
    for kind, example, copy in (
        ("aircraft", "light-249g", "my-aircraft"), ("plans", "demo-week", "my-week"),
        ("watches", "example", "my-watch"),
    ):  # fmt: skip
        text = (TOP / "rules" / kind / f"{example}.yaml").read_text(encoding="utf-8")
        Path(f"{copy}.yaml").write_text(text.replace("demo-field", "field.yaml"), encoding="utf-8")
    Path("mail-password").touch(mode=0o600)
    Path("mail-password").write_text("invented\n")
    columns = re.findall(r"`(\w+ \(\w+\))`", README)
    assert len(columns) == 7
    Path("station.csv").write_text(
        f"time,{','.join(columns)}\n{now:%Y-%m-%dT%H:00Z},8,14,10,3200,17.5,9,0\n"
    )
    commands = told_commands()
    assert {line.split()[1] for line in commands} >= {
        "brief", "page", "explain", "fetch", "sources", "sheet", "demo", "field", "lessons",
        "replay", "verify", "watch", "rules", "cache", "journal",
    } - {"explain"}  # fmt: skip
    with LocalServer() as server:
        bad_days.Day(server, Path(os.environ["WXGATE_CONFIG"]))
        for line in commands:
            code, out, err = wx(*shlex.split(line)[1:])
            assert code == ENDS_WITH.get(line.split()[1], 0), (line, err)
            assert out, line


def test_every_line_that_the_help_offers_is_a_command_with_such_options() -> None:
    from typer.main import get_command

    from wxgate.cli.examples import EXAMPLES, SUMMARIES
    from wxgate.cli.main import COMMANDS, build

    assert set(EXAMPLES) == set(SUMMARIES) == set(COMMANDS)
    top = get_command(build([]))
    for example in (line for lines in EXAMPLES.values() for line in lines):
        words = shlex.split(example)
        command = top
        while hasattr(command, "commands") and len(words) > 1 and words[1] in command.commands:
            command = command.commands[words.pop(1)]
        known = {name for one in command.params for name in one.opts}
        assert {word for word in words if word.startswith("--")} <= known, example


def test_the_list_of_commands_cuts_no_summary(wx: Callable[..., tuple[int, str, str]]) -> None:
    out = wx("--help")[1]
    assert "..." not in out.replace("[ARGS]...", "")
    for command in ("brief", "field", "lessons", "verify", "journal"):
        told = wx(command, "--help")[1]
        assert "xample" in told
        options = told.partition("Options:")[2]
        assert not re.search(r"<(str|int|float|path|list)\b", options), "words of programmers"
        assert not re.search(r"\b(TEXT|INTEGER|FLOAT)\b", options.replace("notes TEXT", ""))
