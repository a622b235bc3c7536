"""Fitted lives, with bounds, without a model, and how well they fit."""
