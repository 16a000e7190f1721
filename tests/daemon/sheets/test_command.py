"""`prehowl sheets`, end to end through the real command."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from rich.cells import cell_len

from prehowl.daemon.cli import main
from prehowl.daemon.sheets.store import Store

NAME = "wedge-12--vocal--mix-1"


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    return tmp_path / "prehowl" / "sheets"


@pytest.fixture
def told(capsys: pytest.CaptureFixture[str]):
    """Return a function that runs a command and gives code, stdout and stderr."""

    def run(*words: str) -> tuple[int, str, str]:
        code = main(["sheets", *words])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run


@pytest.fixture
def one(told):
    code, _, _ = told(
        "new", "2.5k", "-3", "63", "-2", "--monitor", "Wedge 12", "--mic", "Vocal",
        "--mix", "Mix 1", "--temperature", "20", "--place", "barn",
    )  # fmt: skip
    assert code == 0
    return told


def test_the_life_of_a_sheet(one, folder, tmp_path):
    """Oracle: the documented commands, one after the other, and the files that they leave."""
    code, out, _ = one("edit", "vocal 1", "2k5", "-4", "just below 2k", "-1", "--pull-back", "6")
    assert (code, out.splitlines()[0]) == (0, f"kept as {NAME}, version 2")
    assert "2.5 kHz -3 to -4 dB" in out
    code, out, _ = one("show", NAME, "--temperature", "30")
    assert code == 0
    assert "faders: 63 Hz -2, 1.6 kHz -1, 2.5 kHz -4; 7 dB of cuts in all" in out
    assert "from pink noise" in out
    assert "send pulled back 6 dB" in out
    assert "barn, 20 °C" in out
    assert max(map(len, out.splitlines())) <= 80
    code, out, _ = one("compare", f"{NAME}@1", NAME)
    assert "2 bands differ by 0.5 dB or more" in out
    code, out, _ = one("copy", NAME, "--to", "Mix 2", "--to", "Mix 10")
    assert out.count("kept as") == 2
    code, out, _ = one("list")
    assert code == 0
    assert [line for line in out.splitlines() if not line.startswith(" ")] == [
        NAME, "wedge-12--vocal--mix-10", "wedge-12--vocal--mix-2",
    ]  # fmt: skip
    copied = Store(folder).load("wedge-12--vocal--mix-2")
    assert copied.history[-1].what == "copied from Wedge 12 / Vocal / Mix 1, version 2"
    assert one("edit", f"{NAME}@1", "63", "-2")[1].startswith(f"kept as {NAME}, version 3")
    newest = Store(folder).load(NAME)
    assert newest.faders_db == Store(folder).load(NAME, 1).faders_db
    assert newest.history[-1].what == "back to version 1"
    assert len(list(folder.iterdir())) == 5


@pytest.mark.parametrize("form", ["csv", "json", "toml"])
def test_export_and_import_carry_a_sheet_to_another_folder(one, folder, tmp_path, form):
    """Oracle: round trip through files: the same sheet but for version and history."""
    file, there = tmp_path / f"wedge.{form}", tmp_path / "there"
    assert one("export", "vocal", "--format", form, "--output", str(file))[0] == 0
    assert one("export", "vocal", "--format", form)[1] == file.read_text()
    code, out, _ = one("import", str(file), "--folder", str(there), "--mix", "Mix 7")
    assert (code, out) == (0, "kept as wedge-12--vocal--mix-7, version 1\n")
    kept, first = Store(there).load("wedge-12--vocal--mix-7"), Store(folder).load(NAME)
    assert kept.faders_db == first.faders_db
    assert kept.temperature_c == 20
    assert kept.history[:-1] == first.history
    assert kept.history[-1].what == f"imported from wedge.{form}"
    assert "Mix 1" in one("compare", str(file), NAME)[1]


def test_of_several_files_all_are_imported_or_none(one, folder, tmp_path):
    """Oracle: the folder: two mixes of one file name leave nothing, two versions are kept."""
    first, second, there = tmp_path / "1.toml", tmp_path / "2.toml", tmp_path / "there"
    text = one("export", "vocal", "--format", "toml")[1]
    first.write_text(text.replace('"Mix 1"', '"Mix 2/3"'))
    second.write_text(text.replace('"Mix 1"', '"Mix 2-3"'))
    code, out, err = one("import", str(first), str(second), "--folder", str(there))
    assert (code, out) == (2, "")
    assert "'Wedge 12 / Vocal / Mix 2-3': would have the same file name" in err
    assert not there.exists()
    second.write_text(first.read_text())
    assert one("import", str(first), str(second), "--folder", str(there))[0] == 0
    assert Store(there).versions("wedge-12--vocal--mix-2-3") == (1, 2)


def test_a_mistyped_export_leaves_the_old_file(one, tmp_path):
    """Oracle: definition: code 2, and what was exported yesterday is still there."""
    file = tmp_path / "wedge.csv"
    file.write_text("yesterday\n")
    code, _, err = one("export", "typo", "--format", "csv", "--output", str(file))
    assert (code, file.read_text()) == (2, "yesterday\n")
    assert "sheet 'typo': not in" in err
    assert one("export", "vocal", "--format", "csv", "--output", str(file))[0] == 0
    assert "yesterday" not in file.read_text()


def test_an_export_goes_over_no_sheet(one, folder, tmp_path):
    """Oracle: definition: neither over the file it reads, nor over a version that is kept."""
    file = tmp_path / "x.toml"
    assert one("export", "vocal", "--format", "toml", "--output", str(file))[0] == 0
    (kept,) = folder.iterdir()
    for words, output in ((str(file), file), ("vocal", kept), (str(file), kept)):
        before = output.read_bytes()
        code, _, err = one("export", words, "--format", "csv", "--output", str(output))
        assert (code, output.read_bytes()) == (2, before)
        assert "would be lost" in err


def test_list_as_json_is_one_object(one, folder):
    """Oracle: json; what cannot be read is in it and on stderr."""
    (folder / f"{NAME}.v2.toml").write_text("half")
    code, out, err = one("list", "--format", "json")
    listed = json.loads(out)
    assert code == 0
    assert [sheet["name"] for sheet in listed["sheets"]] == [NAME]
    assert listed["sheets"][0]["faders_db"]["2.5 kHz"] == -3
    assert len(listed["faults"]) == 1
    assert "v2.toml" in err


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["show", "drums"], 2, "There are: wedge-12--vocal--mix-1"),
        (["show", "vocal@7"], 2, "no version 7. There are: 1"),
        (["show", "gone.toml"], 2, "gone.toml: cannot be read"),
        (["show", "vocal", "--notches", "9"], 2, "must be 1 to 6"),
        (["show", "vocal", "--temperature", "99"], 2, "must be -20 to 55"),
        (["edit", "vocal"], 2, "nothing to change"),
        (["edit", "vocal", "2.5k"], 2, "has no position"),
        (["edit", "vocal", "2.5k", "-13"], 2, "go from -12"),
        (["edit", "vocal", "--temperature", "99"], 2, "temperature_c is 99.0; must be"),
        (["edit", "vocal", "2.5k", "-3", "--cap", "6", "--place", "x" * 200], 2, "place has 200"),
        (["copy", "vocal", "--to", "Mix 1"], 2, "the mix it comes from"),
        (["copy", "vocal", "--to", "Mix 2", "x" * 300], 2, "mix has 300 characters"),
        (["copy", "vocal", "--to", "🎤"], 2, "needs a letter or digit"),
        (["copy", "vocal", "--to", "Mix 2/3", "Mix 2-3"], 2, "would have the same file name"),
        (["import", "gone.csv"], 2, "gone.csv: cannot be read"),
        (["print", "vocal", "-o", "page.doc"], 2, "ends in .pdf or .png"),
        (["new", "--monitor", "Wedge 12", "--mic", "VOCAL", "--mix", "Mix 1"], 2, "there already"),
        (["list", "--folder", "/dev/null"], 2, "cannot be read"),
        (["list", "--show", "gone.toml"], 2, "no such show file"),
    ],
)
def test_bad_input_is_one_clear_line_and_changes_nothing(one, folder, words, code, message):
    """Oracle: the documented errors and exit codes; the folder stays byte for byte."""
    before = {path: path.read_bytes() for path in folder.iterdir()}
    found, out, err = one(*words)
    assert (found, out) == (code, "")
    assert message in err
    assert err.count("\n") == 1
    assert {path: path.read_bytes() for path in folder.iterdir()} == before


def test_a_damaged_version_can_be_edited_past(one, folder):
    """Oracle: documented: an earlier version is the way out of a damaged one."""
    (folder / f"{NAME}.v2.toml").write_text("half")
    code, _, err = one("edit", NAME, "63", "-3")
    assert code == 2
    assert f"Version 1 can be read: {NAME}@1" in err
    assert one("edit", f"{NAME}@1", "63", "-3")[1].startswith(f"kept as {NAME}, version 3")
    assert one("show", NAME)[0] == 0


def test_a_file_written_by_hand_needs_no_story(one, folder, tmp_path):
    """Oracle: docs/sheets.md: what nobody told is left out."""
    text = (folder / f"{NAME}.v1.toml").read_text()
    head, faders = text.split("[[history]]")[0], text[text.index("[faders_db]") :]
    kept = [line for line in head.splitlines() if not line.startswith("made_at")]
    (folder / f"{NAME}.v1.toml").write_text("\n".join([*kept, faders]))
    assert "date not noted" in one("list")[1]
    assert one("show", NAME)[0] == 0


def test_wide_names_fit_the_terminal(told):
    """Oracle: counting cells with rich's table of widths."""
    names = ["--monitor", "字" * 20, "--mic", "マイク" * 9, "--mix", "混 " * 9 + "1"]
    assert told("new", *names, "--note", "注" * 300)[0] == 0
    for words in (["show", "混"], ["compare", "混", "混"]):
        out = told(*words)[1]
        assert "字" in out
        assert max(map(cell_len, out.splitlines())) <= 80


def test_an_empty_folder_says_how_sheets_are_made(told):
    """Oracle: documented."""
    code, out, err = told("list")
    assert (code, out) == (0, "")
    assert "prehowl ringout" in err


def test_a_terminal_without_unicode_gets_ascii(one, folder):
    """Oracle: definition; the real command in a process of its own, its output ASCII only."""
    words = [sys.executable, "-m", "prehowl.daemon", "sheets", "show", "vocal"]
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    done = subprocess.run(words, capture_output=True, env=environment, check=True)
    chart = [line for line in done.stdout.decode("ascii").splitlines() if "|" in line]
    assert len(chart) >= 6
    assert any("#" in line for line in chart)


def test_a_locale_of_c_gets_ascii_though_the_output_is_utf8(one, monkeypatch):
    """Oracle: documented: with LC_ALL=C the chart is of ASCII signs, whatever the encoding."""
    monkeypatch.setenv("LC_ALL", "C")
    assert sys.stdout.encoding.lower() == "utf-8"
    chart = [line for line in one("show", "vocal")[1].splitlines() if "|" in line]
    assert len(chart) >= 6
    assert all(line.isascii() for line in chart)


@pytest.mark.optional
@pytest.mark.parametrize("suffix", ["pdf", "png"])
def test_a_page_is_drawn(one, tmp_path, suffix):
    """Oracle: the magic numbers of both formats, and A4 of the PDF (842 x 595 points)."""
    pytest.importorskip("matplotlib")
    page = tmp_path / f"page.{suffix}"
    assert one("print", "vocal", "-o", str(page))[0] == 0
    data = page.read_bytes()
    assert data.startswith({"pdf": b"%PDF-", "png": b"\x89PNG\r\n"}[suffix])
    assert suffix == "png" or b"/MediaBox [ 0 0 841" in data
    assert [path.name for path in tmp_path.iterdir() if path.is_file()] == [page.name]


@pytest.mark.optional
def test_a_page_with_odd_names_is_drawn(told, tmp_path):
    """Oracle: warnings are errors here: an emoji or a dollar sign must not disturb."""
    pytest.importorskip("matplotlib")
    assert told("new", "--monitor", "W $1$ 🎤", "--mic", "m" * 40, "--mix", "字" * 9)[0] == 0
    assert told("print", "w 1", "-o", str(tmp_path / "p.png"))[0] == 0


def test_without_matplotlib_the_way_to_get_it_is_told(one, tmp_path, monkeypatch):
    """Oracle: documented."""
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    code, _, err = one("print", "vocal", "-o", str(tmp_path / "p.pdf"))
    assert code == 2
    assert "pip install 'prehowl[print]'" in err


@pytest.mark.optional
def test_a_page_that_cannot_be_written_is_told(one, tmp_path):
    """Oracle: exit code 3 is for what the system refuses."""
    pytest.importorskip("matplotlib")
    code, _, err = one("print", "vocal", "-o", str(tmp_path / "no" / "p.pdf"))
    assert code == 3
    assert "cannot be written" in err
