"""OSC in: bytes from the network, checked and read, to commands that the loop obeys."""
