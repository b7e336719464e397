"""What lean, fat and each lot are worth, and to whom. It reads no files and draws no pages."""
