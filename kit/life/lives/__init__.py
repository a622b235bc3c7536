"""Histories of lives: clean until, found by, under watch from."""
