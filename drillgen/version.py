"""The version, written here once; pyproject.toml reads it."""

VERSION = "0.1.0"
