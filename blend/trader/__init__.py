"""What lean, fat and each lot are worth, and to whom. Questions to the one core; files and
pictures are no matter of this room."""
