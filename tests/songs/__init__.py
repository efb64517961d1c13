"""Songs: read from files and understood."""
