"""Text to parts: a model file read with every fault at its line."""
