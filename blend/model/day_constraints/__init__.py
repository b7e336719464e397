"""Constraints of a plan over several days: stock, coolers, buying ahead, and each day's blends."""
