"""Where events go: printed lines, OSC, the dashboard."""
