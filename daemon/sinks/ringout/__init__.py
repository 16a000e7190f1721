"""The ring-out for the person: figures for three metres, keys, cautions, labels."""

from prehowl.daemon.sinks.ringout.screen import RingoutScreen

__all__ = ["RingoutScreen"]
