"""Ring-out: one wedge and one microphone, from the first squeal to the saved sheet."""
