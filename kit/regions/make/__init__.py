"""Which part of the skin a finding covers."""
