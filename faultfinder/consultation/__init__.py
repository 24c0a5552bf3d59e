"""The one answer to "what next?"."""
