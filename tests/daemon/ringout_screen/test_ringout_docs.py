"""The ring-out pages tell what the program does: keys, addresses, times, figures.

Oracle: the program's own tables.
"""

import re
from pathlib import Path

import pytest

from prehowl.daemon.osc_in.verbs import FORMS
from prehowl.daemon.sinks.osc_ringout import PREFIX, RINGOUT
from prehowl.daemon.sinks.ringout.keys import KEYS
from prehowl.daemon.sinks.ringout.model import CONFIRM_S, FIGURES
from prehowl.daemon.sinks.ringout.picture import PICTURES
from prehowl.detectors.exposure import NIOSH, OSHA, allowed_s, dose

DOCS = Path(__file__).parents[3] / "docs"
SCREEN = (DOCS / "ringout-screen.md").read_text(encoding="utf-8")
SAFETY = (DOCS / "safety.md").read_text(encoding="utf-8")
NAMED = {"return": "\r", "space": " ", "down": "\x1b[B", "up": "\x1b[A", "left": "\x1b[D",
         "right": "\x1b[C", "tab": "\t"}  # fmt: skip


def told(seconds):
    """Return a time as the page tells it."""
    if seconds == 0:
        return "no time"
    if seconds >= 3600:
        return f"{seconds / 3600:.3g} h"
    return f"{seconds / 60:.3g} min" if seconds >= 120 else f"{seconds:.0f} s"


def test_every_key_is_in_the_table_and_every_row_is_a_key():
    """Each action has a row; each key of a row is one."""
    section = SCREEN.partition("| key | does |")[2].partition("\n\n")[0]
    cells = [row.split("|")[1] for row in section.splitlines() if row.startswith("| ")]
    keys = set()
    for cell in cells:
        keys |= set(re.findall(r"`(.)`", cell))
        keys |= {NAMED[word] for word in re.findall(r"[a-z]+", cell) if word in NAMED}
    keys |= set(FIGURES) if "figures" in section else set()
    assert keys <= set(KEYS)
    assert {KEYS[key] for key in keys} == set(KEYS.values()) - {"rub out"}
    assert f"twice within {CONFIRM_S:g} s" in section


def test_every_osc_address_is_in_the_table():
    """Each row is made from the table that is sent."""
    for name, tag, meaning in RINGOUT:
        assert f"| `{PREFIX}{name}` | `,{tag}` | {meaning} |" in SCREEN
    told_addresses = re.findall(r"^\| `(/prehowl/ringout/\w+)`", SCREEN, re.MULTILINE)
    assert told_addresses == [PREFIX + name for name, _, _ in RINGOUT]


def test_the_answers_are_those_that_are_let_in():
    """The table of answers holds the ring-out's verbs, all and no others."""
    wanted = {form.address for form in FORMS if form.verb.startswith("ringout")}
    assert set(re.findall(r"^\| `(/prehowl/do/\S+)`", SCREEN, re.MULTILINE)) == wanted


@pytest.mark.parametrize(
    ("level", "niosh", "osha"),
    re.findall(r"^\| (\d+) dBA \| ([^|]+) \| ([^|]+) \|$", SAFETY, re.MULTILINE),
)
def test_times_of_the_safety_page_are_computed(level, niosh, osha):
    """Each row of the page's table is what the formulas give."""
    wanted = [told(allowed_s(float(level), limit)) for limit in (NIOSH, OSHA)]
    assert [niosh.strip(), osha.strip()] == wanted


def test_the_worked_example_of_the_safety_page():
    """Six rings of 5 s at 105 dBA, and one howl of 110 dBA."""
    assert f"NIOSH allows {told(allowed_s(105, NIOSH))} at 105 dBA" in SAFETY
    assert f"use up {100 * dose([(105, 5)] * 6, NIOSH):.0f} % of the day" in SAFETY
    assert f"110 dBA uses the whole day up in {told(allowed_s(110, NIOSH))}" in SAFETY


def test_every_picture_is_shown_somewhere():
    """A picture that no page shows is not looked at by anyone; a list names the others."""
    pages = "".join(path.read_text(encoding="utf-8") for path in DOCS.glob("*.md"))
    names = [f"ringout-{m}-{theme}-{w}x{h}.svg" for m, theme, w, h in PICTURES]
    assert [name for name in names if name not in pages] == []
