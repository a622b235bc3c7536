"""Reports on a fleet: problems and corrections, changes, delays, coverage, genealogy."""
