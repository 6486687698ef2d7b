"""Flat panels to templates: allowance, notches, holes, labels."""
