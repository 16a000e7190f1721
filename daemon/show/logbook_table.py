"""The table of a show file that speaks of the logbook: which file, and what audio is kept in it."""

from dataclasses import dataclass
from typing import Annotated

from prehowl.daemon.show.keys import Key


@dataclass(frozen=True, slots=True)
class Logbook:
    """What is kept of the show, to be read the next morning (docs/logbook.md)."""

    file: Annotated[
        str | None,
        Key(
            "A name, for a logbook in the user's data folder, or a path with a slash or the ending "
            "`.logbook`. One file a show: a further start goes on in it.",
            low=1,
            high=1000,
            unset="no logbook, unless `--logbook` names one",
        ),
    ] = None
    clips: Annotated[
        bool,
        Key(
            "Whether a few seconds of the channel are kept with every alarm. Tell the people on "
            "stage, and ask them where your law wants it; `false` keeps no audio."
        ),
    ] = True
    clip_before_s: Annotated[
        float, Key("How much of a clip is from before the alarm.", "s", low=0, high=15)
    ] = 3.0
    clip_after_s: Annotated[float, Key("How much of it is from after.", "s", low=0.1, high=15)] = (
        2.0
    )
    clips_mb: Annotated[
        float,
        Key("Size of all clips; further ones are left out.", "MB", low=1, high=1e5),
    ] = 200.0
