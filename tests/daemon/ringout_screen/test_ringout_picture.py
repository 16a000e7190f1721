"""Pictures of the ring-out pages are made from the code, and say the same as the screen."""

import xml.etree.ElementTree as ElementTree
from pathlib import Path

from prehowl.daemon.sinks.ringout.picture import PICTURES, main, picture

FOLDER = Path(__file__).parents[3] / "docs" / "pictures"


def test_ring_out_pictures_are_well_formed_and_fetch_nothing():
    """Oracle: an XML parser; no address other than SVG's own name space."""
    for wanted in PICTURES:
        text = picture(*wanted)
        root = ElementTree.fromstring(text)
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        assert text.count("http") == 1
        words = [element.text for element in root.iter("{http://www.w3.org/2000/svg}text")]
        assert {"READ", "ring-out", "EARS:"} & set(words)


def test_ring_out_pictures_are_up_to_date(tmp_path):
    """Golden; to renew: python -m prehowl.daemon.sinks.ringout.picture --out docs/pictures."""
    assert main(["--out", str(tmp_path)]) == 0
    made = sorted(path.name for path in tmp_path.glob("*.svg"))
    assert made == sorted(path.name for path in FOLDER.glob("ringout-*.svg"))
    for name in made:
        assert (tmp_path / name).read_text() == (FOLDER / name).read_text(), name
