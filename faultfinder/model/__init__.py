"""What a model says: its parts, how they are read from a file, and checked."""
