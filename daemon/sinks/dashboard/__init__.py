"""The full-screen dashboard: `Dashboard` is the sink, `render` the pure picture."""

from prehowl.daemon.sinks.dashboard.render import render
from prehowl.daemon.sinks.dashboard.screen import Dashboard

__all__ = ["Dashboard", "render"]
