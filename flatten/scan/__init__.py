"""Scan to Cast: clean, orient, scale, remesh."""
