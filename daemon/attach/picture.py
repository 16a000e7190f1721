"""Makes the pictures of attached screens: `python -m prehowl.daemon.attach.picture`."""

import argparse
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from prehowl.daemon.attach.wall import Stage, wall
from prehowl.daemon.sinks.dashboard import examples
from prehowl.daemon.sinks.dashboard.glyphs import UNICODE
from prehowl.daemon.sinks.dashboard.model import Model
from prehowl.daemon.sinks.dashboard.svg import frame_svg
from prehowl.daemon.sinks.dashboard.themes import BY_NAME

NOW_S = 100.0
STAGES = (
    ("main-stage", "Main stage", "calm", 32, "Harbour Brass", 3, ""),
    ("side-stage", "Side stage", "ringing", 24, "Paper Kites", 2, ""),
    (
        "tent:9011",
        "Dance tent",
        "calm",
        16,
        "Third Rail",
        5,
        "no word from tent:9011 for 4 s",
    ),
)
"""Host, title, moment, channels, act and its number, and what is lost, of an invented festival."""
PICTURES = (("dark", 80, 24), ("light", 120, 40))
"""Theme, columns and lines of each picture in the documentation."""


def stages() -> list[Stage]:
    """Return three invented daemons: one rings, one is lost, one is calm."""
    return [
        Stage(str(i), told[0], _model(*told[1:]).view(NOW_S)) for i, told in enumerate(STAGES, 1)
    ]


def _model(title: str, moment: str, channels: int, act: str, number: int, lost: str) -> Model:
    model = examples.moment(moment, channels, now_s=NOW_S)
    model.set_title(title)
    shown = model.view(NOW_S).snapshot
    assert shown is not None  # every moment has one
    acted = replace(shown, act=act, next_act="Night Ferry", act_number=number, acts=6)
    model.take_snapshot(acted, NOW_S - 0.1)
    model.lost = lost
    return model


def picture(theme: str, width: int, height: int) -> str:
    """Return three daemons on one screen as SVG; the same call gives the same text."""
    frame = wall(stages(), width, height, BY_NAME[theme], NOW_S, UNICODE)
    return frame_svg(frame, BY_NAME[theme])


def main(argv: Sequence[str] | None = None) -> int:
    """Write every picture into a folder."""
    parser = argparse.ArgumentParser(description="Draw the pictures of attached screens.")
    parser.add_argument(
        "--out", type=Path, default=Path("docs/pictures"), help="folder for SVG files"
    )
    folder = parser.parse_args(argv).out
    folder.mkdir(parents=True, exist_ok=True)
    for theme, width, height in PICTURES:
        path = folder / f"attach-{theme}-{width}x{height}.svg"
        path.write_text(picture(theme, width, height), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
