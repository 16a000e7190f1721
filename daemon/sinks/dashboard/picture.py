"""Makes the pictures of the documentation: `python -m prehowl.daemon.sinks.dashboard.picture`."""

import argparse
from collections.abc import Sequence
from pathlib import Path

from prehowl.daemon.sinks.dashboard import examples
from prehowl.daemon.sinks.dashboard.glyphs import ASCII, UNICODE
from prehowl.daemon.sinks.dashboard.render import render
from prehowl.daemon.sinks.dashboard.svg import frame_svg
from prehowl.daemon.sinks.dashboard.themes import BY_NAME

PICTURES = (
    ("calm", "dark", 80, 24, 8),
    ("suspect", "dark", 80, 24, 32),
    ("ringing", "dark", 80, 24, 32),
    ("ringing", "light", 80, 24, 32),
    ("at-cap", "dark", 80, 24, 8),
    ("howling", "dark", 120, 40, 32),
    ("cleared", "light", 80, 24, 32),
)
"""Moment, theme, columns, lines, channels of each picture in the documentation."""


def picture(
    moment: str, theme: str, width: int, height: int, channels: int, *, ascii_only: bool = False
) -> str:
    """Return one invented moment as SVG; the same call gives the same text."""
    now_s = 100.0
    view = examples.moment(moment, channels, now_s=now_s).view(now_s)
    signs = ASCII if ascii_only else UNICODE
    return frame_svg(render(view, width, height, BY_NAME[theme], now_s, signs), BY_NAME[theme])


def main(argv: Sequence[str] | None = None) -> int:
    """Write every picture into a folder."""
    parser = argparse.ArgumentParser(description="Draw the pictures of the documentation.")
    parser.add_argument(
        "--out", type=Path, default=Path("docs/pictures"), help="folder for SVG files"
    )
    folder = parser.parse_args(argv).out
    folder.mkdir(parents=True, exist_ok=True)
    for moment, theme, width, height, channels in PICTURES:
        path = folder / f"dashboard-{moment}-{theme}-{width}x{height}.svg"
        path.write_text(picture(moment, theme, width, height, channels), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
