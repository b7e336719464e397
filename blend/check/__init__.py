"""The re-check of a plan from domain objects, in exact arithmetic.

This room may not import `blend.model`, numpy or a solver: it must not share a mistake with
the code that made the plan.
"""
