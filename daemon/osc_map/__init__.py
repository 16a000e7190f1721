"""Mappings: ring events turned into the addresses and arguments that a user's device wants."""
