"""The flat pieces joined again and compared with the cast."""
