"""Fixtures that the tests of the logbook's commands share."""

import pytest
from logbook.books import howl, written

from prehowl.daemon.logbook.place import logbook_folder


@pytest.fixture
def home(tmp_path, monkeypatch):
    """Give a data folder of one's own."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    logbook_folder().mkdir(parents=True)
    return logbook_folder()


@pytest.fixture
def saturday(home):
    """Give a logbook called saturday, of one howl."""
    return written(home / "saturday.logbook", howl(3, 1, 4.0))
