"""Where a logbook is: what can be meant, and what needs a home."""

from dataclasses import replace

import numpy as np
import pytest
import soundfile

from prehowl.daemon import cli
from prehowl.daemon.errors import UsageError
from prehowl.daemon.logbook.options import make_logbook
from prehowl.daemon.logbook.sink import LogbookSink
from prehowl.daemon.show.load import default_show


@pytest.mark.parametrize(
    "words",
    [
        ["logbook", "report", "~nobody-here/x.logbook"],
        ["scan", "a.wav", "--format", "jsonl", "--logbook", "~nobody-here/x.logbook"],
    ],
)
def test_a_logbook_in_the_home_of_nobody_is_one_line(capsys, tmp_path, monkeypatch, words):
    """Oracle: definition; exit code 2, nothing done."""
    monkeypatch.chdir(tmp_path)
    soundfile.write("a.wav", np.zeros(4800), 48000)
    assert cli.main(words) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert "logbook ~nobody-here/x.logbook: no home folder is known here for" in told.err
    assert told.err.count("\n") == 1


def test_only_a_name_needs_a_home(monkeypatch, tmp_path):
    """Oracle: definition. A service may have no home, and tells the whole path."""

    def homeless() -> None:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.delenv("XDG_DATA_HOME", raising=False)
    monkeypatch.setattr("pathlib.Path.home", homeless)
    show = default_show(1)
    about = {"command": "watch", "source": "box", "rate_hz": 48000, "may_wait": False}

    def made(file: str) -> LogbookSink | None:
        told = replace(show, logbook=replace(show.logbook, file=file))
        return make_logbook(told, numbers=[1], names=["Vox"], **about)

    assert made(str(tmp_path / "x.logbook")) is not None
    with pytest.raises(UsageError, match="set XDG_DATA_HOME"):
        made("saturday")
