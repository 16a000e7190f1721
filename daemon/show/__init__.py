"""The show file: what it may say, reading it with all its faults, and what the engine gets."""

from prehowl.daemon.show.in_force import settings_in_force, with_command_line, with_targets
from prehowl.daemon.show.load import default_show, load_show
from prehowl.daemon.show.osc_tables import OscTarget
from prehowl.daemon.show.show import Show
from prehowl.daemon.show.tables import Channel, Kind

__all__ = [
    "Channel",
    "Kind",
    "OscTarget",
    "Show",
    "default_show",
    "load_show",
    "settings_in_force",
    "with_command_line",
    "with_targets",
]
