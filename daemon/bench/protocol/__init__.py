"""The published evaluations of howling detection, repeated on our own sound and rooms."""
