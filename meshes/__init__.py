"""Demo casts and jobs, shipped as package data."""
