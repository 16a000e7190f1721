"""Sheets in tests need no disk to turn."""

import os

import pytest


@pytest.fixture(autouse=True)
def _no_waiting_for_the_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave fsync out, which takes a second on a busy disk; that it is asked for has its test."""
    monkeypatch.setattr(os, "fsync", lambda _handle: None)
