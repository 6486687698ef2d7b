"""Panels to the plane: conformal start, then the least peak strain."""
