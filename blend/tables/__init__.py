"""Plain tables in and out: CSV and XLSX become domain objects, or a list of what is wrong.

Nothing here plans, checks a plan or prints; every table is described once, in `columns`.
"""
