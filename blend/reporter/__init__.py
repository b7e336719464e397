"""The reporter's questions: where a price stands, which way it went, and why."""
