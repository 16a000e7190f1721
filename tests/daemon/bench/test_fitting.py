"""The options of a fit: where its outcome goes is known to be writable before the work begins."""

from pathlib import Path

import pytest

from prehowl import detectors
from prehowl.daemon.bench.fitting import fit_options


def test_the_outcome_goes_to_the_engine_wherever_the_fit_is_begun(tmp_path, monkeypatch):
    """Oracle: definition. The file is not touched."""
    weights = Path(detectors.__path__[0]) / "weights.py"
    before = weights.read_bytes()
    monkeypatch.chdir(tmp_path)
    options = fit_options("doc", [], cases=1, minutes=2.0, seed=3, out="weights.py")
    assert options.out == weights
    assert (options.cases, options.minutes, options.seed) == (1, 2.0, 3)
    assert weights.read_bytes() == before


def test_a_place_that_takes_no_file_is_told_before_the_work(tmp_path, capsys):
    """Oracle: the tool's rule: what, where and how to mend it."""
    place = tmp_path / "nowhere" / "weights.py"
    with pytest.raises(SystemExit) as end:
        fit_options("doc", ["--out", str(place)], cases=1, minutes=1.0, seed=1, out="weights.py")
    assert end.value.code == 2
    told = capsys.readouterr().err
    assert f"{place} cannot be written to: No such file or directory" in told
    assert "name another with --out" in told
