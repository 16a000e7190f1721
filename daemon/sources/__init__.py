"""Where samples come from: a recording, a live device, a virtual stage."""
