"""Families of lives and the likelihood of what inspections can know of them."""
