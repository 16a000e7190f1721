"""The edges of prehowl: sources of audio, sinks of events, the show file and the commands."""
