"""The trade's own objects: frozen dataclasses that know nothing of files, solvers or screens."""
