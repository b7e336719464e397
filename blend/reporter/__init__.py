"""The reporter's questions: what a price is, which way it moved, and why."""
