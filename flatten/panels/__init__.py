"""Cast and network to panels: cut, pair the edges, name, check, offset."""
