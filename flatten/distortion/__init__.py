"""What the flat material must do: principal strains, limits, advice."""
