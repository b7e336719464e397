"""The grinder's questions: what to make today's products from."""
