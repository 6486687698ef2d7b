"""Templates and lay plans to ink on layers, and ink to pages."""
