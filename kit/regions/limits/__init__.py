"""Within which limits a damage is, by place, and the panel as a whole."""
