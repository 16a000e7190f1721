"""Makes the ring-out pictures of the pages: `python -m prehowl.daemon.sinks.ringout.picture`."""

import argparse
from collections.abc import Sequence
from pathlib import Path

from prehowl.daemon.sinks.dashboard.glyphs import ASCII, UNICODE
from prehowl.daemon.sinks.dashboard.svg import frame_svg
from prehowl.daemon.sinks.dashboard.themes import BY_NAME
from prehowl.daemon.sinks.ringout import cautions, examples
from prehowl.daemon.sinks.ringout.render import render

CAUTIONS = "cautions"
PICTURES = (
    (CAUTIONS, "light", 80, 24),
    ("listening", "dark", 80, 24),
    ("pull", "light", 80, 24),
    ("pull", "plain", 80, 24),
    ("between", "dark", 80, 24),
    ("between", "light", 120, 40),
    ("checking", "dark", 80, 24),
    ("advised", "light", 80, 24),
    ("finished", "dark", 80, 24),
    ("no-input", "dark", 80, 24),
    ("no-sound", "dark", 80, 24),
    ("pull", "dark", 200, 60),
)
"""Moment, theme, columns, lines of each picture in the documentation."""


def picture(moment: str, theme: str, width: int, height: int, *, ascii_only: bool = False) -> str:
    """Return one invented moment as SVG; the same call gives the same text."""
    now_s = 100.0
    signs, look = ASCII if ascii_only else UNICODE, BY_NAME[theme]
    if moment == CAUTIONS:
        return frame_svg(cautions.frame(width, height, look, signs), look)
    view = examples.moment(moment, now_s=now_s).view(now_s)
    return frame_svg(render(view, width, height, look, now_s, signs), look)


def main(argv: Sequence[str] | None = None) -> int:
    """Write every picture into a folder."""
    parser = argparse.ArgumentParser(description="Draw the ring-out pictures of the pages.")
    parser.add_argument(
        "--out", type=Path, default=Path("docs/pictures"), help="folder for SVG files"
    )
    folder = parser.parse_args(argv).out
    folder.mkdir(parents=True, exist_ok=True)
    for moment, theme, width, height in PICTURES:
        path = folder / f"ringout-{moment}-{theme}-{width}x{height}.svg"
        path.write_text(picture(moment, theme, width, height), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
