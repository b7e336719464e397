"""Checks of answers against the tables, in exact arithmetic.

May not import `blend.model`: a check must not share a mistake with what it checks.
"""
