"""Results as words, tables, terminal text and workbook. The only place that phrases, so that
shell, workbook and page agree. Nothing is computed here but roundings and the sums of what
is shown."""
