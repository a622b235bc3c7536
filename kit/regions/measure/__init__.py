"""How large a region is, and how far from edge, neighbour, fasteners and repairs."""
