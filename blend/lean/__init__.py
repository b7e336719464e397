"""Lean as measured: what tests say of lots, suppliers and batches, and the heat in a mix.

Statistics without a solver. Tables are handed in, results are plain frozen objects.
"""
