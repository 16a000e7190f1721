"""The detection and load bench: howl-free sound, closed-loop cases with truth, scores."""
