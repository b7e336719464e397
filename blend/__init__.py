"""Least-cost blending of meat trimmings, with a certificate, and what it says of the market."""

__version__ = "0.1.0"
