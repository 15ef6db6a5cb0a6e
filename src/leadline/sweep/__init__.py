"""Many dives at once: sweeps, table sets, ensembles, and whoever computes them."""
