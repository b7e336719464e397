"""How answers reach people: one format map for terminal, CSV, JSON, workbook, page and chart.

Imports no package of `blend` but `units`; pandas is imported where a table is made.
"""
