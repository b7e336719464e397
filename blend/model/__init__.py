"""The optimization core: domain objects in, domain objects and plain numbers out.

Sparse arrays and solver handles never leave this room.
"""
