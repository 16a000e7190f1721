"""The logbook: what happened in a show, one SQLite file, written while it happens, read later."""
