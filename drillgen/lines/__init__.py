"""Lines: one module a kind, found by its `KIND`; `kinds` puts the passes of a track together."""
