"""Many dives of one layout at once, and whoever computes them."""
