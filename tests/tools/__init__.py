"""Measurements behind claims, each run by one command."""
