"""Invented markets of any size, and the timing of models on them."""
