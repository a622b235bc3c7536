"""How lives differ between groups: regression and shared frailty."""
