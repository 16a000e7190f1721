"""The virtual stage: closed loops of microphones, wedges and air that howl by their own physics."""
