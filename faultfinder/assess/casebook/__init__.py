"""Models held against real machines whose cause was proven, in words that belong to no model."""
