"""Session logs and recordings: written, kept, read again."""
