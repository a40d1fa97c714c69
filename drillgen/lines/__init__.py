"""Lines: one module a kind; `kinds` puts the passes of a track together."""
