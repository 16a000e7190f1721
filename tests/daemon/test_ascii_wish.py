"""A locale of C or POSIX asks for ASCII; which variable decides is POSIX's (XBD 8.2, from memory).

What Python does to LC_CTYPE at its start is PEP 538's (read from what a new process shows).
"""

import os
import subprocess
import sys

import pytest

from prehowl.daemon.ascii_wish import wants_ascii

VARIABLES = ("LC_ALL", "LC_CTYPE", "LANG")


@pytest.mark.parametrize(
    ("locale", "wanted"),
    [
        ({}, False),
        ({"LC_ALL": "C"}, True),
        ({"LC_ALL": "POSIX", "LANG": "en_GB.UTF-8"}, True),
        ({"LC_ALL": "C.UTF-8", "LC_CTYPE": "C", "LANG": "C"}, False),
        ({"LC_ALL": "", "LC_CTYPE": "C", "LANG": "en_GB.UTF-8"}, True),
        ({"LC_CTYPE": "en_GB.UTF-8", "LANG": "C"}, False),
        ({"LANG": "C"}, True),
        ({"LANG": "en_GB.UTF-8"}, False),
    ],
)
def test_the_first_that_is_set_decides(locale, wanted, monkeypatch):
    """Oracle: POSIX; an empty one counts as not set, and none at all is no wish."""
    for name in VARIABLES:
        monkeypatch.delenv(name, raising=False)
    for name, value in locale.items():
        monkeypatch.setenv(name, value)
    assert wants_ascii() is wanted


@pytest.mark.parametrize(
    ("started", "wanted"),
    [
        ("LC_CTYPE=C", True),
        ("A=1\0LANG=C\0", True),
        ("LC_CTYPE=C.UTF-8\0LANG=C", False),
        ("A=1", True),
    ],
)
def test_what_python_put_into_the_environment_is_no_wish(started, wanted, monkeypatch, tmp_path):
    """Oracle: PEP 538: LC_CTYPE is C.UTF-8 now; what it was at the start counts, if anything."""
    monkeypatch.delenv("LC_ALL")
    monkeypatch.setenv("LC_CTYPE", "C.UTF-8")
    monkeypatch.setenv("LANG", "C")
    (tmp_path / "environ").write_text(started)
    assert wants_ascii(tmp_path / "environ") is wanted
    assert wants_ascii(tmp_path / "missing") is False


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
@pytest.mark.parametrize(("locale", "wanted"), [("LANG=C", True), ("A=1", False)])
def test_a_new_process_sees_the_wish_that_python_hides(locale, wanted):
    """Oracle: definition; a real interpreter, started with this variable and no other."""
    code = "from prehowl.daemon.ascii_wish import wants_ascii; print(wants_ascii())"
    name, value = locale.split("=")
    path = {key: os.environ[key] for key in ("PATH", "PYTHONPATH") if key in os.environ}
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**path, name: value},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == f"{wanted}\n"
