"""First screens as they are printed, one file each; remade by `python -m tests.golden`."""
