"""Frozen nouns: the values that pass from stage to stage."""
