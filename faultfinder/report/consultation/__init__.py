"""The answer to "what next?" in words."""
