"""What learning found, in words."""
