"""Which findings are the same damage, and what became of it."""
