"""The example units: what systemd understands, and what the command itself understands."""

import argparse
import configparser
import os
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest

from prehowl.daemon.commands import watch

FOLDER = Path(__file__).parents[2] / "configs" / "systemd"
UNITS = sorted(FOLDER.glob("*.service"))


def keys(path: Path) -> configparser.ConfigParser:
    """Return a unit as its sections and keys."""
    parser = configparser.RawConfigParser(strict=True)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read_string(path.read_text(encoding="utf-8"))
    return parser


def test_there_is_one_for_the_system_and_one_for_a_user():
    """Oracle: definition."""
    assert [path.name for path in UNITS] == ["prehowl-user.service", "prehowl.service"]


@pytest.mark.parametrize("path", UNITS, ids=lambda path: path.name)
def test_the_command_takes_what_the_unit_starts(path):
    """Oracle: the command's own parser; a notifying daemon with a watchdog and a reload."""
    service = keys(path)["Service"]
    words = shlex.split(service["ExecStart"])
    assert words[1] == "watch"
    parser = argparse.ArgumentParser(exit_on_error=False)
    watch.add_arguments(parser)
    assert parser.parse_args(words[2:]).headless
    assert (service["Type"], int(service["WatchdogSec"]) > 0) == ("notify", True)
    assert service["ExecReload"].endswith("-HUP $MAINPID")


@pytest.mark.parametrize("path", UNITS, ids=lambda path: path.name)
def test_systemd_finds_nothing_wrong(path, tmp_path):
    """Oracle: `systemd-analyze verify`, with a program that exists in place of ours."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("needs systemd-analyze (Debian: systemd)")
    program = shlex.split(keys(path)["Service"]["ExecStart"])[0]
    copy = tmp_path / path.name
    copy.write_text(path.read_text(encoding="utf-8").replace(program, "/bin/true"))
    scope = ["--user"] if "user" in path.name else []
    done = subprocess.run(
        ["systemd-analyze", *scope, "verify", str(copy)],
        env={**os.environ, "XDG_RUNTIME_DIR": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
