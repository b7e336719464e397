"""The desk: one local page for grinder, trader and reporter, served to a browser."""
