"""How often damage comes back, and what a repair restores."""
