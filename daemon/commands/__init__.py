"""One file a command: `HELP`, `EXAMPLE`, `add_arguments(parser)`, `run(args) -> int`."""
