"""The sheet: engraving and fingering."""
