"""Garbage in, sentences out: every reader of files and words, given what no one would write."""
