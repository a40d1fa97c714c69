"""Lines: what writes each kind; `kinds` is their table."""
