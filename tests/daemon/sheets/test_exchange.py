"""Sheets as CSV and JSON, and changes as a person types them."""

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from sheet_makers import sheets

from prehowl.daemon.errors import SheetError, UsageError
from prehowl.daemon.sheets.edit import change_words, parse_moves, with_moves
from prehowl.daemon.sheets.exchange import COLUMNS, csv_text, json_text, sheet_from_text
from prehowl.daemon.sheets.sheet import Change, FoundRing, Sheet, ring_of
from prehowl.daemon.show.keys import slots_of

AT = "2026-07-04T14:30:00+02:00"
PLAIN = Sheet(
    "Wedge 12",
    'Vocal, "old"',
    "Mix 1",
    temperature_c=21.0,
    rings=(ring_of(2513.4, 3, AT),),
    history=(Change(AT, "rung out"),),
).with_faders({2: -1.5, 21: -3})


@settings(max_examples=60, deadline=None)
@given(sheets)
def test_out_and_back_in_is_the_same_sheet(sheet):
    """Oracle: property: import(export(x)) == x, both ways of writing."""
    assert sheet_from_text(json_text(sheet), Path("a.json")) == sheet
    assert sheet_from_text(csv_text(sheet), Path("a.CSV")) == sheet


def test_csv_has_the_documented_columns():
    """Oracle: docs/sheets.md: six columns, four kinds of rows; read by Python's csv."""
    rows = list(csv.DictReader(io.StringIO(csv_text(PLAIN))))
    assert tuple(rows[0]) == COLUMNS
    assert {row["record"] for row in rows} == {"sheet", "fader", "ring", "history"}
    faders = {row["band_hz"]: float(row["value"]) for row in rows if row["record"] == "fader"}
    assert len(faders) == 31
    assert (faders["31.5"], faders["2500"], faders["20000"]) == (-1.5, -3, 0)
    (ring,) = [row for row in rows if row["record"] == "ring"]
    assert (ring["key"], ring["value"], ring["frequency_hz"], ring["at"]) == (
        "1", "3.0", "2513.4", AT,
    )  # fmt: skip


def test_json_is_one_object_with_the_keys_of_the_file():
    """Oracle: RFC 8259 by Python's json; keys of docs/sheets.md."""
    raw = json.loads(json_text(PLAIN))
    assert raw["faders_db"]["2.5 kHz"] == -3
    assert raw["rings"][0]["band_hz"] == 2500
    assert "pull_back_db" not in raw


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("record,key", "kind,key", "first line must be record,key,value"),
        ("fader,,-3.0,2500,,", "fader,,-3.0,2600,,", "line 36: '2600' is no nominal band"),
        ("fader,,-3.0,2500,,", "fader,,low,2500,,", "line 36: 'low' is no number"),
        ("fader,,-3.0,2500,,", "fader,,-3.0,2000,,", "line 36: fader 2 kHz comes twice"),
        ("fader,,-3.0,2500,,\n", "", "faders_db.2.5 kHz is missing"),
        ("fader,,-3.0,2500,,", "fader,,-3.0", "line 36: must have 6 columns"),
        ("fader,,-3.0,2500,,", "knob,,-3.0,2500,,", "line 36: must have 6 columns"),
        ("sheet,mix,", "sheet,mixx,", "line 4: unknown key 'mixx'"),
        ("sheet,mix,", "sheet,mic,", "line 4: key 'mic' comes twice"),
        ("sheet,rate_hz,48000", "sheet,rate_hz,much", "'much' is no number"),
        ("sheet,format,1", "sheet,format,9", "newer prehowl"),
    ],
)
def test_bad_csv_is_told_with_its_line(old, new, message):
    """Oracle: the documented faults."""
    text = csv_text(PLAIN)
    assert old in text
    with pytest.raises(SheetError, match=message):
        sheet_from_text(text.replace(old, new), Path("a.csv"))


@pytest.mark.parametrize(
    ("text", "name", "message"),
    [
        ("{", "a.json", "not valid JSON"),
        ("[]", "a.json", "one JSON object"),
        ("[" * 100_000, "a.json", "not valid JSON"),
        ("", "a.csv", "first line must be"),
        ("", "a.txt", "must end in .toml, .json, .csv"),
        ("{}", "a.json", "faders_db is missing"),
    ],
)
def test_what_is_no_sheet_is_told(text, name, message):
    """Oracle: the documented faults."""
    with pytest.raises(SheetError, match=message):
        sheet_from_text(text, Path(name))


def test_pairs_of_fader_and_position():
    """Oracle: common practice, no source; what an engineer types."""
    assert parse_moves(["2.5k", "-3", "63", "-2", "31", "0"]) == {21: -3, 5: -2, 2: 0}
    assert parse_moves(["just below 2k", "-1,5", "4k", "−2dB"]) == {19: -1.5, 23: -2}
    assert parse_moves([]) == {}


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["2.5k"], "'2.5k' has no position"),
        (["bass", "-3"], "names no fader"),
        (["63", "low"], "'low' is no fader position"),
        (["63", "nan"], "no fader position"),
        (["2.5k", "-3", "2500", "-2"], "2.5 kHz fader comes twice"),
    ],
)
def test_bad_pairs_are_told(words, message):
    """Oracle: the documented errors."""
    with pytest.raises(UsageError, match=message):
        parse_moves(words)


def test_faders_stay_on_their_steps_and_within_the_cap():
    """Oracle: definition of step and cap."""
    sheet = replace(PLAIN, fader_cap_db=6.0, fader_step_db=0.5)
    assert with_moves(sheet, {21: -6.0}).faders_db[21] == -6
    with pytest.raises(UsageError, match=r"2.5 kHz -6.5 dB: .* go from -6 \(--cap\)"):
        with_moves(sheet, {21: -6.5})
    with pytest.raises(UsageError, match=r"steps of 0.5 dB \(--step\); the nearest is -2.5"):
        with_moves(sheet, {21: -2.4})


def test_a_change_is_told_in_words():
    """Oracle: definition."""
    after = replace(PLAIN, place="barn", temperature_c=None).with_faders({21: 0, 5: -2})
    told = change_words(PLAIN, after, ["place", "temperature_c", "note"])
    assert told == (
        "63 Hz 0 to -2 dB, 2.5 kHz -3 to 0 dB, place barn (was not told), "
        "temperature_c not told (was 21)"
    )


def test_the_page_names_every_key_and_column():
    """Oracle: the code: docs/sheets.md lists each key of the file and each column of the CSV."""
    page = (Path(__file__).parents[3] / "docs" / "sheets.md").read_text("utf-8")
    keys = {key for table in (Sheet, FoundRing, Change) for key in slots_of(table)}
    told = keys - {"rings", "history", "faders_db"} | set(COLUMNS)
    assert sorted(name for name in told if f"`{name}`" not in page) == []
    assert all(table in page for table in ("[[rings]]", "[[history]]", "[faders_db]"))
