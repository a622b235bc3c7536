"""Which damage comes first, on which clock, and what follows it."""
