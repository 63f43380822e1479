"""Contract: what the README and DEVELOPERS.md show is what the program does."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

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
