"""EQ sheets: a graphic-EQ setting with its story; kept, never overwritten."""
