"""Finished sound as files to hand out: WAV, FLAC, MP3, AAC and Opus, with their tags."""
