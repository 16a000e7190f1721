"""What people ask of a running watch, by OSC, key or clock, is obeyed here."""
