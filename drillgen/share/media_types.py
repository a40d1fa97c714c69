"""What each kind of file in a pack is called over HTTP.

By the IANA registry of media types where it has one; `audio/midi`, `audio/wav` and `audio/mpegurl`
are what browsers and phones know (common practice).  Python's own table differs between systems.
"""

from __future__ import annotations

from pathlib import Path

UNKNOWN = "application/octet-stream"
_TEXT = "; charset=utf-8"
MEDIA_TYPES = {
    ".css": "text/css" + _TEXT,
    ".flac": "audio/flac",  # RFC 9639
    ".html": "text/html" + _TEXT,
    ".js": "text/javascript" + _TEXT,  # RFC 9239
    ".json": "application/json",  # RFC 8259: always UTF-8
    ".m3u8": "audio/mpegurl" + _TEXT,
    ".m4a": "audio/mp4",  # RFC 4337
    ".mid": "audio/midi",
    ".mp3": "audio/mpeg",  # RFC 3003
    ".musicxml": "application/vnd.recordare.musicxml+xml",
    ".mxl": "application/vnd.recordare.musicxml",
    ".opus": "audio/ogg",  # RFC 7845
    ".pdf": "application/pdf",
    ".png": "image/png",
    ".svg": "image/svg+xml",
    ".txt": "text/plain" + _TEXT,
    ".wav": "audio/wav",
    ".webmanifest": "application/manifest+json",
    ".woff2": "font/woff2",  # RFC 8081
    ".xml": "application/xml",
    ".yaml": "application/yaml",  # RFC 9512
    ".zip": "application/zip",
}


def media_type(path: Path) -> str:
    """The media type of a file, by its ending."""
    return MEDIA_TYPES.get(path.suffix.lower(), UNKNOWN)
