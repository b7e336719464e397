"""Least-cost blending of meat trimmings, proved, and what it says of the market."""

__version__ = "0.1.0"
