"""Detection criteria of the literature, as they stand there, for comparison on the same bench."""
