"""Decompression models: published coefficients, tissue loading, ceilings, and the compiled kernel."""
