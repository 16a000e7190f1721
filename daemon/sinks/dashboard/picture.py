"""Makes the pictures of the documentation: `python -m prehowl.daemon.sinks.dashboard.picture`."""

import argparse
import io
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.terminal_theme import DEFAULT_TERMINAL_THEME, DIMMED_MONOKAI

from prehowl.daemon.sinks.dashboard import examples
from prehowl.daemon.sinks.dashboard.glyphs import ASCII, UNICODE
from prehowl.daemon.sinks.dashboard.render import render
from prehowl.daemon.sinks.dashboard.themes import BY_NAME

PICTURES = (
    ("calm", "dark", 80, 24, 8),
    ("suspect", "dark", 80, 24, 32),
    ("ringing", "dark", 80, 24, 32),
    ("ringing", "light", 80, 24, 32),
    ("howling", "dark", 120, 40, 32),
    ("cleared", "light", 80, 24, 32),
)
"""Moment, theme, columns, lines, channels of each picture in the documentation."""


def svg(
    moment: str, theme: str, width: int, height: int, channels: int, *, ascii_only: bool = False
) -> str:
    """Return one picture as SVG; the same words give the same bytes."""
    now_s = 100.0
    view = examples.moment(moment, channels, now_s=now_s).view(now_s)
    frame = render(view, width, height, BY_NAME[theme], now_s, ASCII if ascii_only else UNICODE)
    console = Console(
        record=True,
        width=width,
        height=height,
        file=io.StringIO(),
        force_terminal=True,
        color_system="truecolor",
    )
    console.print(frame)
    ground = DEFAULT_TERMINAL_THEME if theme == "light" else DIMMED_MONOKAI
    return console.export_svg(title="prehowl", theme=ground, unique_id=f"prehowl-{moment}-{theme}")


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
        path.write_text(svg(moment, theme, width, height, channels), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
