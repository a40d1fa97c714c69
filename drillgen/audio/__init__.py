"""Finished sound as files to hand out, each format with its own tags."""
