"""Made-up markets for tests, and benchmarks: `python -m tests.bench`."""
