"""What pages and helps say alike, and tables that are whole: a torn one shows its pipes.

Oracle of tables: the table extension of GitHub Flavored Markdown (from memory): a head, a line of
dashes with as many cells, then rows up to the first empty line.
"""

import re
from pathlib import Path

import pytest
from test_docs import FENCE, PAGES, ROOT, page

from prehowl.daemon.attach.client import LOST_S
from prehowl.daemon.bench import hearing, material
from prehowl.daemon.bench.peers import trials
from prehowl.daemon.cli import parser_of

RULE = re.compile(r"\|( *:?-+:? *\|)+")


def torn_rows(text: str) -> list[str]:
    """Return the rows of a page that belong to no table: no head with its rule above them."""
    lines = FENCE.sub("\n", text).splitlines()
    blocks: list[list[str]] = [[]]
    for line in map(str.strip, lines):
        if line.startswith("|"):
            blocks[-1].append(line)
        elif blocks[-1]:
            blocks.append([])
    return [b[0] for b in blocks if b and not (len(b) > 1 and RULE.fullmatch(b[1]))]


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_no_table_is_torn(path: Path) -> None:
    """Oracle: as above."""
    assert torn_rows(path.read_text(encoding="utf-8")) == []


def test_a_torn_table_is_found() -> None:
    """The check above can fail: an empty line tears a table; pipes in a fenced block are none."""
    whole = "| a | b |\n| --- | ---: |\n| 1 | 2 |\n"
    assert torn_rows(whole) == []
    assert torn_rows(f"{whole}\n| 3 | 4 |\n") == ["| 3 | 4 |"]
    assert torn_rows(f"```sh\n| 3 | 4 |\n```\n{whole}") == []


def test_a_lost_daemon_is_lost_after_the_same_time_everywhere() -> None:
    """Oracle: the code's own constant; help and both pages name it."""
    told = " ".join(parser_of("attach").format_help().split())
    assert f"no word for {LOST_S:g} seconds" in told
    assert f"says nothing for {LOST_S:g} seconds" in page("docs/screens.md")
    assert f"hears nothing for {LOST_S:g} seconds" in page("docs/osc.md")


def test_the_engine_is_compared_without_what_no_channel_can_tell() -> None:
    """Oracle: `fit_for_comparison`; no page may name it as the cause of the engine's own rate."""
    drawn = hearing.jobs_of("check", 0, 1.0, 1, ["hum", material.APART])
    kept = {e.piece.group for job in trials.fit_for_comparison(drawn) for e in job.excerpts}
    assert kept == {"nuisance"}
    assert "`indistinct` sounds are left out" in page("docs/detection-figures.md")
    assert "families of `indistinct` are left out" in page("docs/bench.md")


@pytest.mark.parametrize("name", ["README.md", "docs/live.md", "docs/troubleshooting.md"])
def test_every_command_that_listens_is_named_where_its_library_is(name: str) -> None:
    """Oracle: the commands whose code opens a device (`DeviceSource`) or lists what there is."""
    opens = re.compile(r"sources\.device(_list)? import")
    listening = {
        {"origins": "ringout"}.get(path.stem, path.stem)
        for folder in ("commands", "ringout")
        for path in (ROOT / "daemon" / folder).glob("*.py")
        if opens.search(path.read_text(encoding="utf-8"))
    }
    assert {"watch", "devices", "check", "ringout"} == listening
    line = next(
        line for line in page(name).splitlines() if "PortAudio" in line or "libport" in line
    )
    assert all(f"{command}`" in line for command in listening)
